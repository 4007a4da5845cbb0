"""Whether a product, a bench and a plan fit together."""

import math
from collections.abc import Iterator, Mapping

from config.bench import (
    BY_HAND,
    EXAMPLE_ADDRESS,
    ROLES,
    Bench,
    is_visa_address,
    visa_address_of,
)
from config.near import near
from config.plan import Plan, Reading, linearity_of
from config.product import Product, Range
from config.profile import TYPED, Kind, Profile
from config.strict import KeyPath, Problem, where_whole

__all__ = ["fit", "fit_plan"]

HIGHEST_DEVICE = 255


def fit(
    product: Product, bench: Bench, plan: Plan, profiles: Mapping[str, Profile]
) -> Iterator[Problem]:
    """Yield what is wrong between the files, at the key that should be corrected."""
    yield from _addresses(bench)
    yield from _addressees(bench, profiles)
    yield from _limits(product, bench, plan)
    yield from _selectors(product, bench)
    yield from _check_standard(product, bench)
    yield from _reference(product, bench, plan)
    yield from _influences(product, bench)
    yield from _kinds(product, bench, profiles)
    yield from _series_resistors(product, bench, plan)


def _influences(product: Product, bench: Bench) -> Iterator[Problem]:
    """Refuse what does nothing to such an input."""
    takes_ampere = product.input_unit == "A"
    if (written := bench.influences) is None:
        return
    for key in written.of_voltage if takes_ampere else written.of_current:
        with where_whole:
            takes = "ampere" if takes_ampere else "volts"
            yield Problem(
                path=("bench", "influences", key),
                problem=f"does nothing to a product that takes {takes}; leave it out",
                valued=False,
            )


def fit_plan(product: Product, plan: Plan) -> Iterator[Problem]:
    """Yield what a plan asks of ranges that the product has not, or that cannot."""
    with where_whole:
        for key in plan.reading.ranges:
            if key not in product.ranges:
                yield Problem(
                    path=("plan", "reading", "ranges", key),
                    problem="the product has no such range",
                    suggestion=near(key, product.ranges),
                )
    with where_whole:
        yield from _sample(product, plan)
    for name, check in plan.checks.items():
        with where_whole:
            if check.range is not None and check.range not in product.ranges:
                yield Problem(
                    path=("plan", "checks", name, "range"),
                    problem="the product has no such range",
                    suggestion=near(check.range, product.ranges),
                )
    yield from _linearity(product, plan)
    for key, one in product.ranges.items():
        with where_whole:
            reading = plan.reading.of(key)
            below_zero = [
                what
                for what, asked in (
                    ("offset", reading.offset != "zero"),
                    ("linearity_levels", any(x < 0 for x in reading.linearity_levels)),
                )
                if asked
            ]
            if one.both_polarities:
                continue
            own = plan.reading.ranges.get(key)
            for what in below_zero:
                by_itself = own is not None and getattr(own, what) is not None
                at = ("ranges", key) if by_itself else ()
                yield Problem(
                    path=("plan", "reading", *at, what),
                    problem=f"drives range {key!r} below zero, which its "
                    "both_polarities in product.toml does not allow",
                )


def _linearity(product: Product, plan: Plan) -> Iterator[Problem]:
    """Refuse levels that nothing would be judged by, and a check of the same name."""
    for key in product.ranges:
        with where_whole:
            reading = plan.reading.of(key)
            if not reading.linearity_levels:
                continue
            if reading.linearity_limit_ppm is None:
                own = plan.reading.ranges.get(key)
                by_itself = own is not None and own.linearity_levels is not None
                at = ("ranges", key) if by_itself else ()
                yield Problem(
                    path=("plan", "reading", *at, "linearity_limit_ppm"),
                    problem="missing; linearity_levels are judged by it: a number "
                    "> 0 and <= 1000000, ppm of full scale",
                )
                if not by_itself:
                    return
            if linearity_of(key) in plan.checks:
                yield Problem(
                    path=("plan", "checks", linearity_of(key)),
                    problem="is the name of what linearity_levels check; take another",
                    valued=False,
                )


def _sample(product: Product, plan: Plan) -> Iterator[Problem]:
    if plan.sample is None:
        return
    for place, key in enumerate(plan.sample.ranges):
        if key not in product.ranges:
            yield Problem(
                path=("plan", "sample", "ranges", place),
                problem="the product has no such range",
                suggestion=near(key, product.ranges),
            )
    if set(plan.sample.ranges) >= set(product.ranges):
        yield Problem(
            path=("plan", "sample", "ranges"),
            problem="names every range of the product; name fewer, or delete [sample]",
            valued=False,
        )


def _addresses(bench: Bench) -> Iterator[Problem]:
    for role in ROLES:
        with where_whole:
            one = getattr(bench, role)
            if one is None or one.address == BY_HAND:
                continue
            if not is_visa_address(one.address):
                yield Problem(
                    path=("bench", role, "address"),
                    problem=f"must be a VISA address such as {EXAMPLE_ADDRESS!r}",
                    suggestion=visa_address_of(one.address),
                )


_OF_THE_LINE = (
    *("write_termination", "read_termination", "echo", "prompt", "opening_pause_s"),
    *("one_connection", "serial", "adapter"),
)
"""What belongs to a line, so that all who stand on it say the same."""


def _addressees(bench: Bench, profiles: Mapping[str, Profile]) -> Iterator[Problem]:
    """Refuse instruments on one line that cannot be told apart."""
    first: dict[str, tuple[str, Profile]] = {}
    meant: dict[tuple[str, str], str] = {}
    for role in ROLES:
        with where_whole:
            one = getattr(bench, role)
            profile = None if one is None else profiles.get(one.profile)
            if profile is None:
                continue
            path: KeyPath = ("bench", role, "addressee")
            if profile.adapter is not None and one.addressee is None:
                yield Problem(
                    path=path,
                    problem=f"missing; profile {one.profile!r} stands behind an "
                    "adapter, which must be told whom it is for",
                )
                continue
            if profile.modbus is not None:
                if one.addressee is not None and not _is_device(one.addressee):
                    yield Problem(
                        path=path,
                        problem="must be the device's number, >= 0 and <= 255",
                    )
            elif profile.adapter is None and one.addressee is not None:
                yield Problem(
                    path=path,
                    problem=f"profile {one.profile!r} has neither [adapter] nor "
                    "[modbus], so nobody is chosen: delete this",
                )
            if profile.adapter is None:
                continue
            beside, other = first.setdefault(one.address, (role, profile))
            for key in _OF_THE_LINE:
                if getattr(profile, key) != getattr(other, key):
                    yield Problem(
                        path=("bench", role, "profile"),
                        problem=f"stands on the line of the {beside}, whose profile "
                        f"says another {key}; both must say the same",
                    )
            known = meant.setdefault((one.address, str(one.addressee)), role)
            if known not in {role, "ohmmeter"} and role != "ohmmeter":
                yield Problem(path=path, problem=f"is that of the {known} too")


def _is_device(text: str) -> bool:
    return text.isdecimal() and int(text) <= HIGHEST_DEVICE


def _limits(product: Product, bench: Bench, plan: Plan) -> Iterator[Problem]:
    yield from _levels(product, bench, plan)
    for key, one in product.ranges.items():
        with where_whole:
            if one.source_limit > bench.source_limit:
                yield Problem(
                    path=("product", "ranges", key, "source_limit"),
                    problem="must be > 0 and <= the bench's source_limit, "
                    f"{bench.source_limit:g}",
                )
    with where_whole:
        if bench.compliance_v > product.input_absolute_maximum_v:
            yield Problem(
                path=("bench", "compliance_v"),
                problem="must be > 0 and <= the product's input_absolute_maximum_v, "
                f"{product.input_absolute_maximum_v:g}",
            )
    with where_whole:
        volts_in = product.input_unit == "V"
        if volts_in and bench.current_limit_a is None:
            yield Problem(
                path=("bench", "current_limit_a"),
                problem="missing; a product that takes volts needs a source whose "
                "current is limited: a number > 0 and <= 10",
            )
        if not volts_in and bench.current_limit_a is not None:
            yield Problem(
                path=("bench", "current_limit_a"),
                problem="goes with a product that takes volts alone",
            )
    with where_whole:
        if product.input_unit == "V" and bench.source_limit > bench.compliance_v:
            yield Problem(
                path=("bench", "source_limit"),
                problem=f"must be > 0 and <= compliance_v, {bench.compliance_v:g}",
            )


def _highest_share(one: Range, reading: Reading) -> float:
    """Return the highest level that a range is read at, as a share of full scale."""
    levels = (reading.level_of_full_scale, *map(abs, reading.linearity_levels))
    return max((*levels, *one.limit.points))


def _levels(product: Product, bench: Bench, plan: Plan) -> Iterator[Problem]:
    """Refuse a bench whose own limits the plan's levels would exceed."""
    unit = product.input_unit
    for key, one in product.ranges.items():
        with where_whole:
            reading = plan.reading.of(key)
            level = one.full_scale * _highest_share(one, reading)
            if level > bench.source_limit:
                yield Problem(
                    path=("bench", "source_limit"),
                    problem=f"range {key!r} is read at up to {level:g} {unit}, beyond "
                    f"this limit of {bench.source_limit:g} {unit}; lower the plan's "
                    "levels, or raise the limit if source and unit bear it",
                )
            standard_ohm = bench.reference_is.standard_ohm
            if standard_ohm is not None and level * standard_ohm > bench.compliance_v:
                yield Problem(
                    path=("bench", "reference_is", "standard_ohm"),
                    problem=f"range {key!r} at {level:g} {unit} puts "
                    f"{level * standard_ohm:g} V across it, beyond compliance_v, "
                    f"{bench.compliance_v:g} V; a smaller resistor reads this range",
                )


def _selectors(product: Product, bench: Bench) -> Iterator[Problem]:
    with where_whole:
        if bench.selector is None or bench.selector.profile == TYPED:
            return
        for key, one in product.ranges.items():
            with where_whole:
                if one.selector is None:
                    yield Problem(
                        path=("product", "ranges", key, "selector"),
                        problem="missing; the bench has a range selector, which must "
                        "be told what chooses this range",
                    )


def _check_standard(product: Product, bench: Bench) -> Iterator[Problem]:
    with where_whole:
        if bench.check_standard is None:
            return
        errors = bench.check_standard.error_ppm
        for key in errors:
            if key not in product.ranges:
                yield Problem(
                    path=("bench", "check_standard", "error_ppm", key),
                    problem="the product has no such range",
                    suggestion=near(key, product.ranges),
                )
        for key in product.ranges:
            if key not in errors:
                yield Problem(
                    path=("bench", "check_standard", "error_ppm", key),
                    problem="missing; the check standard is run on every range of "
                    "the product, each with its known error",
                )
    for place, one in enumerate(bench.further_standards):
        with where_whole:
            for key in one.error_ppm:
                if key not in product.ranges:
                    yield Problem(
                        path=("bench", "further_standards", place, "error_ppm", key),
                        problem="the product has no such range",
                        suggestion=near(key, product.ranges),
                    )


def _reference(product: Product, bench: Bench, plan: Plan) -> Iterator[Problem]:
    with where_whole:
        by_resistor = bench.reference_is.kind == "standard_resistor"
        if by_resistor and product.input_unit == "V":
            yield Problem(
                path=("bench", "reference_is", "kind"),
                problem="must be 'meter' for a product that takes volts; a standard "
                "resistor tells a current",
            )
            return
        factor = (bench.reference_is.standard_ohm or 1.0) if by_resistor else 1.0
        unit = "V" if by_resistor else product.input_unit
        largest = max(
            (one.full_scale for one in bench.reference.ranges), default=math.inf
        )
        for key, one in product.ranges.items():
            reading = plan.reading.of(key)
            needed = one.full_scale * _highest_share(one, reading) * factor
            if needed > largest:
                yield Problem(
                    path=("bench", "reference", "ranges"),
                    problem=f"range {key!r} of the product needs {needed:g} {unit}; "
                    f"the largest full scale here is {largest:g} {unit}",
                )


def _kinds(
    product: Product, bench: Bench, profiles: Mapping[str, Profile]
) -> Iterator[Problem]:
    with where_whole:
        amps_in = product.input_unit == "A"
        amps_read = amps_in and bench.reference_is.kind == "meter"
        amps_out = amps_in and bench.series_resistor is None
        needed = {
            "source": Kind.CURRENT_SOURCE if amps_out else Kind.VOLTAGE_SOURCE,
            "reference": Kind.AMMETER if amps_read else Kind.VOLTMETER,
            "output": Kind.VOLTMETER,
            "selector": Kind.SWITCH,
            "ambient": Kind.THERMOMETER,
            "ohmmeter": Kind.OHMMETER,
        }
        for role, kind in needed.items():
            with where_whole:
                one = getattr(bench, role)
                profile = profiles.get(one.profile)
                if profile is not None and profile.kind is not kind:
                    yield Problem(
                        path=("bench", role, "profile"),
                        problem=f"is of kind {profile.kind.value!r}; the {role} needs "
                        f"one of kind {kind.value!r}",
                    )


def _series_resistors(product: Product, bench: Bench, plan: Plan) -> Iterator[Problem]:
    """Refuse resistors that a level would put more than the compliance across."""
    where: KeyPath = ("bench", "series_resistor")
    with where_whole:
        source = bench.series_resistor
        if source is None:
            return
        if product.input_unit != "A":
            yield Problem(path=where, problem="goes with a product that takes ampere")
            return
        if bench.source.profile == TYPED:
            yield Problem(
                path=where,
                problem="goes with a source that the bench sets; this one is set by "
                "hand",
            )
        for key in source.ohm:
            if key not in product.ranges:
                yield Problem(
                    path=(*where, "ohm", key),
                    problem="the product has no such range",
                    suggestion=near(key, product.ranges),
                )
        switched = bench.selector is not None and bench.selector.profile != TYPED
        if not switched and len(set(source.ohm.values())) > 1:
            yield Problem(
                path=(*where, "ohm"),
                problem="all must be the same: nothing switches them, since the bench "
                "has no selector",
            )
        for key, one in product.ranges.items():
            if key not in source.ohm:
                yield Problem(
                    path=(*where, "ohm", key),
                    problem="missing; each range of the product needs its ohms",
                )
                continue
            reading = plan.reading.of(key)
            level = one.full_scale * _highest_share(one, reading)
            needed_v = level * source.through_ohm(key)
            if needed_v > bench.compliance_v:
                yield Problem(
                    path=(*where, "ohm", key),
                    problem=f"needs {needed_v:g} V at its highest level, which stand "
                    f"at an open input; compliance_v is {bench.compliance_v:g}",
                )

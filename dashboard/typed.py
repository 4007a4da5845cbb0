"""Readings by hand: what a person typed, as understood before it is kept."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from config import Bench, Beside, Judging, QuantityError, Unit, parse, spell
from daemon.judging import AnswerError, Judge, ProductModel, answered
from daemon.presentation import capital, figures
from daemon.station import TypedError, TypedReading, readings_of, require_on_range


@dataclass(frozen=True, slots=True, kw_only=True)
class Texts:
    """What was typed for one range; an empty zero means none was read."""

    into: str
    out_of: str
    zero: str = ""

    @property
    def blank(self) -> bool:
        """Whether this range was left out."""
        return not (self.into or self.out_of or self.zero).strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class Understood:
    """One range's readings, in the product's units, and what they come to."""

    range: str
    words: str
    reference: float
    output: float
    output_zero: float | None

    @property
    def order(self) -> dict[str, Any]:
        """The readings as the control takes them."""
        return {
            "range": self.range,
            "reference": self.reference,
            "output": self.output,
            "output_zero": self.output_zero,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class UnderstoodCheck:
    """One check beside the range errors, in its own unit."""

    name: str
    words: str
    value: float

    @property
    def order(self) -> dict[str, Any]:
        """The answer as the control takes it."""
        return {"name": self.name, "value": self.value}


def understood(
    texts: Mapping[str, Texts], product: ProductModel, bench: Bench, judging: Judging
) -> tuple[list[Understood], list[str]]:
    """Return what was understood, and what was not, a sentence each.

    Readings that no unit can show are refused here as they would be later.

    Parameters
    ----------
    texts
        By range; ranges left blank are left out.
    product, bench, judging
        What they are judged by, as they would be when they are kept.
    """
    found, faults = [], []
    for key, typed in texts.items():
        if typed.blank:
            continue
        try:
            found.append(_one(key, typed, product, bench, judging))
        except QuantityError as exc:
            faults.append(f"{product.range(key).title}: {exc}.")
        except TypedError as exc:
            faults.append(f"{capital(str(exc).rstrip('.'))}.")
    if not found and not faults:
        faults.append("No reading was typed.")
    return found, faults


def understood_checks(
    texts: Mapping[str, str], plan: Mapping[str, Beside]
) -> tuple[list[UnderstoodCheck], list[str]]:
    """Return what was understood of the checks, and what was not."""
    found, faults = [], []
    for name, text in texts.items():
        if not text.strip():
            faults.append(f"{capital(name)}: not answered.")
            continue
        try:
            value = answered(name, plan[name], text)
        except AnswerError as exc:
            faults.append(f"{exc}.")
            continue
        unit = plan[name].unit
        said = spell(value, Unit(unit)) if unit else ("yes" if value else "no")
        found.append(UnderstoodCheck(name=name, words=f"{name}: {said}", value=value))
    return found, faults


def _one(
    key: str, typed: Texts, product: ProductModel, bench: Bench, judging: Judging
) -> Understood:
    into = Unit(product.settings.input_unit)
    out_of = Unit(product.settings.output_unit)
    one = product.range(key)
    reading = TypedReading(
        range=key,
        reference=parse(typed.into, into),
        output=parse(typed.out_of, out_of),
        output_zero=parse(typed.zero, out_of) if typed.zero.strip() else None,
    )
    for name in ("reference", "output_zero"):
        if (value := getattr(reading, name)) is not None:
            require_on_range(name, value, product, key)
    read = readings_of([reading], product, bench, at_s=0.0)
    judged = Judge(product, bench, judging).learned(read).unit("", read[0], {})
    error = figures.measured(
        judged.error_ppm, figures.COVERAGE * judged.uncertainty_ppm, judged.limit_ppm
    )
    return Understood(
        range=key,
        words=f"{one.title}: {spell(reading.reference, into)} in, "
        f"{spell(reading.output, out_of)} out, {error}, limit "
        f"{figures.allowance(judged.limit_ppm)}: {judged.verdict}",
        reference=reading.reference,
        output=reading.output,
        output_zero=reading.output_zero,
    )

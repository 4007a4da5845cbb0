"""The product as numbers: what its settings mean to measuring and to watching."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from config import Detector, Product, Range
from daemon.metrology import Transfer, range_parts
from daemon.spc.detector import Assumptions, CommonPart, Layout, layout_of

FELT_SHARE = 0.05
"""Of a range's tolerance: what a shared part moves a range by at least, to be told."""
LEAST_TEMPCO_PPM_PER_K = 1.0
ALIKE_WITHIN = 0.2
"""Parts that move all ranges alike, to this share, are the shared stage's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeModel:
    """One range with what follows from its transfer formula.

    `nominal_transfer` is output unit per input unit. `part` is the dominant part
    that no other range uses, None where there is none.
    """

    key: str
    settings: Range
    transfer: Transfer
    nominal_transfer: float
    sensitivities: Mapping[str, float]
    part: str | None
    alike: tuple[str, ...]
    """Own parts that readings of the range cannot tell apart, `part` first; or none."""
    tempco_ppm_per_k: Mapping[str, float]
    """Each part's bound times its sensitivity, ppm of reading per kelvin."""

    @property
    def title(self) -> str:
        """The range in the maker's words."""
        return self.settings.title


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductModel:
    """All ranges of a product, in the order of its settings.

    `assumed` is what the detector holds possible of its parts.
    """

    settings: Product
    ranges: tuple[RangeModel, ...]
    nominal_ohm: Mapping[str, float]
    assumed: Assumptions

    @classmethod
    def of(cls, product: Product, detector: Detector | None = None) -> Self:
        """Work out the formulas of a product.

        Parameters
        ----------
        product
            From the settings.
        detector
            From the control plan; of use only to whoever watches builds.

        Raises
        ------
        daemon.metrology.errors.FormulaError
            A transfer is not plain arithmetic over part names.
        """
        nominal = {name: part.nominal_ohm for name, part in product.parts.items()}
        tolerance = {name: part.tolerance_ppm for name, part in product.parts.items()}
        transfers = {key: Transfer(one.transfer) for key, one in product.ranges.items()}
        parts = range_parts(transfers, nominal, tolerance)
        models = []
        for key, transfer in transfers.items():
            sensitivities = transfer.sensitivities(nominal)
            models.append(
                RangeModel(
                    key=key,
                    settings=product.ranges[key],
                    transfer=transfer,
                    nominal_transfer=transfer.value(nominal),
                    sensitivities=sensitivities,
                    part=parts.own[key],
                    alike=parts.alike[key],
                    tempco_ppm_per_k={
                        name: abs(effect)
                        * product.parts[name].temperature_coefficient_ppm_per_k
                        for name, effect in sensitivities.items()
                    },
                )
            )
        plan = {} if detector is None else detector.model_dump()
        return cls(
            settings=product,
            ranges=tuple(models),
            nominal_ohm=nominal,
            assumed=Assumptions(**plan),
        )

    @property
    def keys(self) -> tuple[str, ...]:
        """Range keys in order."""
        return tuple(one.key for one in self.ranges)

    @property
    def titles(self) -> dict[str, str]:
        """What people call the ranges, by key."""
        return {one.key: one.title for one in self.ranges}

    def range(self, key: str) -> RangeModel:
        """Return one range.

        Raises
        ------
        KeyError
            The product has no such range.
        """
        for one in self.ranges:
            if one.key == key:
                return one
        raise KeyError(key)

    @property
    def tolerance_ppm(self) -> NDArray[np.float64]:
        """Claimed tolerance of each range's own part as an error of the range, ppm.

        A range without a part of its own takes its strongest part instead.
        """
        parts = self.settings.parts
        effects = []
        for one in self.ranges:
            names = [one.part] if one.part is not None else list(one.sensitivities)
            effects.append(
                max(
                    abs(one.sensitivities[name]) * parts[name].tolerance_ppm
                    for name in names
                )
            )
        return np.array(effects)

    @property
    def common_parts(self) -> dict[str, CommonPart]:
        """Parts that two ranges or more feel, but not all alike: by name."""
        felt_ppm = FELT_SHARE * self.tolerance_ppm
        own = {one.part for one in self.ranges}
        found = {}
        for name, part in self.settings.parts.items():
            effect = np.array([one.sensitivities.get(name, 0.0) for one in self.ranges])
            effect[abs(effect) * part.tolerance_ppm < felt_ppm] = 0.0
            alike = abs(effect - effect.mean()) <= ALIKE_WITHIN * abs(effect.mean())
            if name in own or np.count_nonzero(effect) < 2 or alike.all():  # noqa: PLR2004
                continue
            found[name] = CommonPart(
                tolerance_ppm=part.tolerance_ppm,
                sensitivity=tuple(float(one) for one in effect),
            )
        return found

    @property
    def layout(self) -> Layout:
        """Which part moves which range, as builds are watched."""
        limits = [one.settings.limit for one in self.ranges]
        bounds = [list(one.tempco_ppm_per_k.values()) for one in self.ranges]
        return layout_of(
            self.tolerance_ppm,
            tuple(self.common_parts.values()),
            self.assumed,
            limit_ppm=[one.of_reading_ppm + one.of_full_scale_ppm for one in limits],
            tempco_ppm_per_k=[
                max(float(np.linalg.norm(one)), LEAST_TEMPCO_PPM_PER_K) / 3.0**0.5
                for one in bounds
            ],
        )

    @property
    def watched_parts(self) -> tuple[str | None, ...]:
        """Parts of `layout` by name: each range's own, None without, then common."""
        return (*(one.part for one in self.ranges), *self.common_parts)

    def ranges_of(self, part: str) -> tuple[RangeModel, ...]:
        """Return the ranges that feel a common part."""
        felt = self.common_parts[part].sensitivity
        return tuple(
            one for one, effect in zip(self.ranges, felt, strict=True) if effect
        )

    def implied_ohm(
        self, key: str, error_ppm: float, part: str | None = None
    ) -> float | None:
        """Return the value of a range's own part that explains an error, ohm.

        Parameters
        ----------
        part
            Which one; left out, the dominant one. None is returned where there is none.
        """
        one = self.range(key)
        if (name := part or one.part) is None:
            return None
        return one.transfer.implied(name, error_ppm * 1e-6, self.nominal_ohm)

"""Readings by hand: what a person typed, as understood before it is kept."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from config.errors import QuantityError
from config.quantity import Unit, parse, spell
from daemon.product import ProductModel
from daemon.words import percent


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
    output_zero: float

    @property
    def order(self) -> dict[str, Any]:
        """The readings as the control takes them."""
        return {
            "range": self.range,
            "reference": self.reference,
            "output": self.output,
            "output_zero": self.output_zero,
        }


def understood(
    texts: Mapping[str, Texts], product: ProductModel
) -> tuple[list[Understood], list[str]]:
    """Return what was understood, and what was not, a sentence each.

    Parameters
    ----------
    texts
        By range; ranges left blank are left out.
    """
    into = Unit(product.settings.input_unit)
    out_of = Unit(product.settings.output_unit)
    found, faults = [], []
    for key, typed in texts.items():
        if typed.blank:
            continue
        one = product.range(key)
        try:
            reference = parse(typed.into, into)
            output = parse(typed.out_of, out_of)
            zero = parse(typed.zero, out_of) if typed.zero.strip() else 0.0
        except QuantityError as exc:
            faults.append(f"{one.title}: {exc}.")
            continue
        if reference == 0:
            faults.append(f"{one.title}: nothing was put in.")
            continue
        indicated = (output - zero) / one.nominal_transfer
        error_ppm = 1e6 * (indicated / reference - 1)
        words = (
            f"{one.title}: {spell(reference, into)} in, {spell(output, out_of)} out, "
            f"{percent(error_ppm, 100.0)}"
        )
        found.append(
            Understood(
                range=key,
                words=words,
                reference=reference,
                output=output,
                output_zero=zero,
            )
        )
    if not found and not faults:
        faults.append("No reading was typed.")
    return found, faults

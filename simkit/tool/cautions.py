"""The usual safety cautions for dent removal, as data for reports and work sheets."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Caution:
    """One caution.

    Attributes
    ----------
    key : short name.
    text : the caution, one or two sentences.
    operations : operations it concerns; empty for all work.
    """

    key: str
    text: str
    operations: tuple[str, ...] = ()


CAUTIONS: tuple[Caution, ...] = (
    Caution("simulation", "simkit is a calculation with stated assumptions: try a planned step "
            "gently on the real panel and watch it before going on."),
    Caution("authority", "The maker's repair instructions, local codes and the judgement of "
            "licensed practice come before anything printed here."),
    Caution("eyes", "Wear eye protection: tabs, tips and glue let go suddenly."),
    Caution("hot-glue", "Hot glue and its gun burn skin. Wear gloves and let the glue set before "
            "touching it.", ("pull", "hold")),
    Caution("paint", "Pulling glue can lift paint that is old, cracked or resprayed. Test where it "
            "does not show.", ("pull", "hold")),
    Caution("airbags", "Airbags, belt tensioners and wiring run behind trim. Find them and follow "
            "the maker's way of making them safe before reaching or drilling behind a panel.",
            ("push", "hold")),
    Caution("high-voltage", "On electric and hybrid vehicles only trained people may open up or "
            "work near high-voltage parts."),
    Caution("structure", "Structural parts, and any part with a crease, tear or kink that carries "
            "load, are not for dent removal: have them judged by licensed practice."),
    Caution("sensors", "Behind or near the panel may sit radar, cameras, ultrasonic sensors and "
            "lamps. Have their aim checked and calibrated as the maker asks."),
    Caution("sprung", "A dented panel holds stress and may snap through. Keep hands and face out "
            "of its way, and brace it before it is released."),
    Caution("held", "A held pull or lever stores energy while you tap: stand beside its line, "
            "tether what may fly off, and never tap on the tab, the glue or the puller itself.",
            ("hold", "let_down")),
)
"""All cautions, in the order they are printed."""


def cautions_for(operations: tuple[str, ...] | None = None) -> tuple[Caution, ...]:
    """Cautions for the operations of a repair (pull, push, tap_down, hold,
    let_down); None for all cautions."""
    if operations is None:
        return CAUTIONS
    return tuple(caution for caution in CAUTIONS
                 if not caution.operations or set(caution.operations) & set(operations))

"""The fields of the forms: one table says for each its label, unit and help, and how its text becomes a value.

The same table names the settings on a drive's page. Must not know HTTP or HTML. What was typed is never
lost: a form that is refused comes back with it, and with what is wrong beside each field.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any


class Kind(StrEnum):
    """What a field holds."""

    TEXT = "text"
    LINES = "lines"
    WHOLE = "whole"
    NUMBER = "number"
    FLAG = "flag"
    TIME = "time"  # local time of the site; becomes text, which the page turns into an instant
    CHOICE = "choice"  # one of `choices`


@dataclass(frozen=True, slots=True)
class Field:
    """One field: its name in core, its label, and what helps to fill it in."""

    name: str
    label: str
    kind: Kind = Kind.TEXT
    unit: str = ""
    help: str = ""
    needed: bool = False
    choices: tuple[tuple[str, str], ...] = ()  # value and words


@dataclass(frozen=True, slots=True)
class Group:
    """Fields that belong together."""

    title: str
    fields: tuple[Field, ...]
    folded: bool = False  # what most people leave as it is


DRIVE_ID = Field(
    "drive_id", "Id", help="As in the topic: a-z, 0-9, - and _, 64 at most. It stays.", needed=True
)

DRIVE_GROUPS = (
    Group(
        "Place",
        (
            Field("name", "Name", help="What people call it"),
            Field("site", "Site"),
            Field("area", "Area"),
            Field("line", "Line"),
            Field("drive_class", "Class", help="Drives of like duty have the same; free text"),
            Field(
                "strand_group",
                "Side by side with",
                help="Drives whose chains work side by side and share a load have the same text here; then they are compared",
            ),
        ),
    ),
    Group(
        "Sensors",
        (
            Field(
                "whole_pitches",
                "Whole pitches between the sensors, n",
                Kind.WHOLE,
                help="Count the pitches of a new chain from up to down, rounded down. Left empty: a drive without "
                "sensors, measured by hand",
            ),
            Field(
                "offset_pitches",
                "Part of a pitch that is over, d",
                Kind.NUMBER,
                "pitches",
                "0 to 1; the sensors stand (n + d) pitches apart",
            ),
            Field("spacing_u_mm", "How well the spacing is known", Kind.NUMBER, "mm", "Standard uncertainty"),
        ),
    ),
    Group(
        "Sprockets and limit",
        (
            Field(
                "driver_teeth", "Teeth of the driver", Kind.WHOLE, help="It pulls the strand that is measured"
            ),
            Field("driven_teeth", "Teeth of the driven sprocket", Kind.WHOLE),
            Field("fixed_centres", "Centres are fixed", Kind.FLAG, help="The limit is then 1.5 %"),
            Field("parallel_strands", "Chains run side by side", Kind.FLAG, help="The limit is then 1.5 %"),
            Field("own_limit_pct", "A limit of your own", Kind.NUMBER, "%", "The least that applies counts"),
        ),
    ),
    Group(
        "Corrections",
        (
            Field(
                "up_to_driver_mm",
                "From up to the driver",
                Kind.NUMBER,
                "mm",
                "Along the strand; with it the polygon effect is taken off",
            ),
            Field(
                "delay_us",
                "Down switches later than up by",
                Kind.NUMBER,
                "µs",
                "As fitted at several speeds. Left empty: not known, nothing is taken off",
            ),
            Field("delay_u_us", "How well the delay is known", Kind.NUMBER, "µs", "Standard uncertainty"),
            Field("temp_ref_c", "Elongation is stated at", Kind.NUMBER, "°C"),
            Field("temp_range_k", "Where no temperature is sent, assume ±", Kind.NUMBER, "K", "Half width"),
            Field(
                "mount_expansion_per_k",
                "Expansion of the mount",
                Kind.NUMBER,
                "per K",
                "Steel 11.7e-6, aluminium 23e-6",
            ),
            Field("load_ref_n", "Elongation is stated at a tension of", Kind.NUMBER, "N"),
            Field("strain_pct_per_kn", "Elastic strain of the strand", Kind.NUMBER, "% per kN"),
            Field(
                "strain_u_pct_per_kn",
                "How well the strain is known",
                Kind.NUMBER,
                "% per kN",
                "Standard uncertainty. Left empty: a quarter of it. It is taken off only where it is 3 times that",
            ),
            Field("load_u_pct", "Where no load is sent, assume", Kind.NUMBER, "%", "Standard uncertainty"),
        ),
        folded=True,
    ),
    Group("Note", (Field("note", "Note", Kind.LINES),), folded=True),
)

CHAIN_GROUP = Group(
    "Chain",
    (
        Field("designation", "Designation", help="16B-1, ANSI 80, BL 523 ...: fills the pitch"),
        Field("pitch_mm", "Pitch", Kind.NUMBER, "mm", "Only where there is no designation"),
        Field("pitches_in_loop", "Joints of the whole chain", Kind.WHOLE, help="Lets whole laps be averaged"),
        Field("fitted", "Fitted", Kind.TIME, help="Left empty: now"),
        Field("chain_id", "Id of the chain", help="Left empty: the drive's id and the day"),
        Field("strands", "Strands", Kind.WHOLE, help="Left empty: as the designation says, else 1"),
        Field("note", "Note on the chain", Kind.LINES),
    ),
)
CHAIN_PREFIX = "chain-"  # where one form has fields of drive and chain
# What is needed at least to measure: shown beside each drive that was seen.
SHORT_FIELDS = (
    Field(
        "whole_pitches",
        "Whole pitches, n",
        Kind.WHOLE,
        help="Count the pitches of a new chain from up to down, rounded down",
        needed=True,
    ),
    Field("offset_pitches", "Part over, d", Kind.NUMBER),
    Field("designation", "Chain", help="16B-1, ANSI 80 ..."),
    Field("pitches_in_loop", "Joints of the chain", Kind.WHOLE),
)
REMOVAL_KINDS = (
    ("worn", "Worn: at or near its limit"),
    ("broken", "Broken"),
    ("damaged", "Damaged: stiff, cracked, rusted, after a jam"),
    ("planned", "Planned: early, because the drive stood anyway"),
    ("moved", "Moved: it runs on elsewhere"),
    ("other", "Other, or not known"),
)
ENDED_FIELDS = (
    Field(
        "elongation_pct",
        "Elongation then",
        Kind.NUMBER,
        "%",
        "Left empty: as measured last before it came off, by sensors or by hand",
    ),
    Field("u_pct", "Its standard uncertainty", Kind.NUMBER, "%"),
)
TAKE_OFF_FIELDS = (
    Field("why", "Why", help="Worn to the limit, broken, sprockets changed ...", needed=True),
    Field(
        "kind",
        "Which of these",
        Kind.CHOICE,
        help="Only worn ends a life in the statistics of lives",
        choices=REMOVAL_KINDS,
    ),
    Field("removed", "Taken off", Kind.TIME, help="Left empty: now"),
    *ENDED_FIELDS,
)
REMOVAL_FIELDS = (
    Field("kind", "How it ended", Kind.CHOICE, needed=True, choices=REMOVAL_KINDS),
    *ENDED_FIELDS,
    Field("hours", "Ran", Kind.NUMBER, "h", "Left empty: as counted"),
    Field("passages", "Joints that passed", Kind.NUMBER, help="Left empty: as counted"),
    Field("note", "Note", help="What was seen of it"),
)
UPKEEP_KINDS = (
    ("lubricated", "Lubricated, with what it always gets"),
    ("lubricant_changed", "Gets another lubricant from now on"),
    ("method_changed", "Is lubricated in another way from now on"),
    ("cleaned", "Cleaned"),
    ("tension_set", "Tension set"),
    ("other", "Other"),
)
UPKEEP_FIELDS = (
    Field("kind", "What was done", Kind.CHOICE, needed=True, choices=UPKEEP_KINDS),
    Field("lubricant", "Lubricant", help="Needed where it gets another one"),
    Field("done", "When", Kind.TIME, help="Left empty: now"),
    Field("note", "Note", Kind.LINES, help="Needed for another way, and for other"),
    Field("by", "By whom"),
)
PLACES = (("driver", "Driver"), ("driven", "Driven"), ("idler", "Idler"))
SPROCKET_FIELDS = (
    Field("place", "Which", Kind.CHOICE, needed=True, choices=PLACES),
    Field("teeth", "Teeth", Kind.WHOLE, help="Left empty: as the settings say"),
    Field("fitted", "Fitted", Kind.TIME, help="Left empty: now"),
    Field("note", "Note", help="Make of its teeth, why it was changed"),
    Field("by", "By whom"),
)
INSPECTION_FIELDS = (
    Field(
        "worn",
        "Its teeth are",
        Kind.CHOICE,
        needed=True,
        choices=(("no", "good"), ("yes", "worn: hooked, shiny flanks, worn sides")),
    ),
    Field("inspected", "Seen", Kind.TIME, help="Left empty: now"),
    Field("note", "Note"),
    Field("by", "By whom"),
)
BASELINE_FIELDS = (
    Field(
        "elongation_pct",
        "Elongation, e0",
        Kind.NUMBER,
        "%",
        "Against nominal pitch. A new chain within 0 to +0.15 % (ISO 606): 0.075",
        needed=True,
    ),
    Field(
        "elongation_u_pct",
        "Its standard uncertainty",
        Kind.NUMBER,
        "%",
        "Of 0 to +0.15 %: 0.043, the half width over the root of 3",
        needed=True,
    ),
    Field(
        "pitches_between", "Pitches between the sensors, N0", Kind.NUMBER, "", "Left empty: as just measured"
    ),
    Field("pitches_between_u", "Its standard uncertainty", Kind.NUMBER, "pitches"),
    Field("taken", "Taken", Kind.TIME, help="Left empty: now"),
    Field("why", "How it was found", help="New chain, measured by hand over 24 pitches ..."),
    Field("by", "By whom"),
)

# How long the span is: by rule or tape from pin to pin, by calliper over and between the rollers of the end joints.
HAND_LENGTHS = (
    Field("length_mm", "Length, pin centre to pin centre", Kind.NUMBER, "mm"),
    Field("outside_mm", "Outside, over the rollers", Kind.NUMBER, "mm"),
    Field("inside_mm", "Inside, between the same rollers", Kind.NUMBER, "mm"),
)
HAND_PITCHES = Field(
    "pitches", "Pitches measured over", Kind.WHOLE, help="An even number, from an inner link", needed=True
)
HAND_AGAIN = Field("counted_again", "I counted again, and it is right", Kind.FLAG)
HAND_CRANKED = Field("cranked", "A cranked link lay in between", Kind.FLAG)
HAND_MORE = (
    Field("note", "Note", Kind.LINES, help="Which strand, where, the values at the other places"),
    Field("by", "Measured by"),
    Field("measured", "Measured", Kind.TIME, help="Left empty: now"),
    Field("temp_c", "Temperature of the chain", Kind.NUMBER, "°C", "Left empty: about that of the rule"),
    Field(
        "length_u_mm",
        "How well it was read",
        Kind.NUMBER,
        "mm",
        "Standard uncertainty. Left empty: rule 0.5, tape 1, calliper 0.1",
    ),
)
HAND_FIELDS = (HAND_PITCHES, HAND_AGAIN, *HAND_LENGTHS, HAND_CRANKED, *HAND_MORE)


def values_of(
    fields: Sequence[Field], typed: Mapping[str, str], prefix: str = ""
) -> tuple[dict[str, Any], dict[str, str]]:
    """Return the values that were typed, and what is wrong with those that are none.

    An empty field is left out, so that core's default counts; a flag is false where it is not ticked.
    A decimal comma is read as a point.
    """
    values: dict[str, Any] = {}
    wrong: dict[str, str] = {}
    for field in fields:
        text = typed.get(prefix + field.name, "").strip()
        if field.kind is Kind.FLAG:
            values[field.name] = bool(text)
        elif not text:
            if field.needed:
                wrong[prefix + field.name] = f"fill this in: {field.help or field.label}"
        else:
            try:
                values[field.name] = _value(field.kind, text)
            except ValueError:
                kind = "a whole number" if field.kind is Kind.WHOLE else "a number"
                wrong[prefix + field.name] = f"{text[:30]!r} is not {kind}"
    return values, wrong


def _value(kind: Kind, text: str) -> Any:
    if kind is Kind.WHOLE:
        return int(text)
    if kind is Kind.NUMBER:
        return float(text.replace(",", ".").replace("\N{MINUS SIGN}", "-"))
    if kind is Kind.LINES:
        return text.replace("\r\n", "\n")
    return text


def typed_of(fields: Sequence[Field], values: object) -> dict[str, str]:
    """Return the text of each field as it stands in an object of core, to be changed in a form."""
    return {field.name: text_of(getattr(values, field.name, None)) for field in fields}


def text_of(value: object) -> str:
    """Return a value as one would type it."""
    if value is None or value is False:
        return ""
    if value is True:
        return "yes"
    return str(value).removesuffix(".0")  # of a float the shortest text that gives it back exactly

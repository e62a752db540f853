"""What is said of each kind of condition: title, cause, what to do. One table, so that another language is another table.

Knows words; must not know when a condition is so. What was seen (numbers, which sensor) is filled in by who found it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from service.core.setpoint import ConditionKind, Consequence, Respond


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """What is said of a condition. `at_drive`: what to do sends somebody to the drive, so the cautions go with it."""

    title: str
    cause: str  # what it means, whatever the numbers
    mend: str
    at_drive: bool
    value: str = ""  # what the value of its setpoint is


_K = ConditionKind

ENGLISH: Mapping[ConditionKind, Words] = MappingProxyType(
    {
        _K.APPROACHING: Words(
            title="Elongation on its way to the limit",
            cause="The chain has worn to the first step towards its limit.",
            mend="See that a new chain is in stock or on order, and plan the change. Look at lubrication and alignment.",
            at_drive=False,
            value="Elongation, part of the drive's limit",
        ),
        _K.NEAR: Words(
            title="Elongation close to the limit",
            cause="The chain has worn to the second step towards its limit.",
            mend="Set the date of the change, with new sprockets ready where their teeth are hooked. Measure by hand once.",
            at_drive=True,
            value="Elongation, part of the drive's limit",
        ),
        _K.AT_LIMIT: Words(
            title="Elongation at the limit",
            cause="The chain has worn to its limit: it rides high on the teeth and may jump or break.",
            mend="Replace the chain. Until then run no more than must be, and keep people away from it while it runs.",
            at_drive=True,
            value="Elongation, part of the drive's limit",
        ),
        _K.LIMIT_WITHIN_LEAD_TIME: Words(
            title="Limit comes before a new chain could",
            cause="By its forecast the chain reaches the limit before a new one could be there.",
            mend="Order the chain now, or find one; look whether the drive can run slower or with less load until then.",
            at_drive=False,
            value="Lead time of a new chain",
        ),
        _K.LIMIT_BEFORE_STOP: Words(
            title="Limit comes before the next planned stop",
            cause="By its forecast the chain reaches the limit before the next planned stop.",
            mend="Bring the stop forward, or plan one for this drive.",
            at_drive=False,
            value="Days by which the limit comes before the stop",
        ),
        _K.WEAR_RATE_RISEN: Words(
            title="Wears faster than it used to",
            cause="The chain wears faster for each metre it runs than it did before.",
            mend="Look at the lubrication first, then for dirt, overload, misalignment and worn sprockets.",
            at_drive=True,
            value="Wear for each metre run, against the chain's own before",
        ),
        _K.STRANDS_APART: Words(
            title="Strands have worn apart",
            cause="Chains that work side by side have worn differently: the shorter one carries more than its share.",
            mend="Measure all strands by hand, look at their tension and lubrication. Replace them together.",
            at_drive=True,
            value="Elongation, by which the longest differs from the shortest",
        ),
        _K.BAD_JOINT: Words(
            title="A bad joint",
            cause="One joint or link differs from its like beside it.",
            mend="Find the joint with the map of the chain, drive locked out: look for a stiff, cracked or turned pin.",
            at_drive=True,
            value="How much longer or shorter than its like, or out of place",
        ),
        _K.WORN_SECTION: Words(
            title="A worn section",
            cause="One section of the chain is longer than the rest of it.",
            mend="Measure that section by hand: the worst place counts. Look whether it is dry there. Splice no new piece in.",
            at_drive=True,
            value="How much longer than as many links of the rest",
        ),
        _K.HAND_DISAGREES: Words(
            title="Live value and hand value disagree",
            cause="A measurement by hand and the sensors' value are further apart than their uncertainties allow.",
            mend="Measure again in two other places. If it stays, look whether a sensor was moved, and record a new baseline.",
            at_drive=True,
            value="Difference in standard uncertainties of it",
        ),
        _K.WHOLE_UNCERTAIN: Words(
            title="Whole number of pitches not certain",
            cause="How many whole pitches lie between the sensors is not sure, so there is no elongation to rely on.",
            mend="Measure the chain by hand at the next stop and record it as a baseline; check n, chain and brackets.",
            at_drive=True,
        ),
        _K.SENSOR_MOVED: Words(
            title="A sensor has moved",
            cause="The lag changed and the links of the chain did not: it is the sensors, not wear.",
            mend="Look at both brackets and tighten what is loose; then record a new baseline.",
            at_drive=True,
        ),
        _K.SENSING_FAILED: Words(
            title="Sensing out of order",
            cause="There is no usable signal from the sensors: nobody sees this chain wear.",
            mend="Check the sensor that is silent: supply, cable, plug, gap to the chain; and the clock of the device.",
            at_drive=True,
        ),
        _K.SENSING_OUT_OF_SPECIFICATION: Words(
            title="Sensing outside its specification",
            cause="The sensors work outside of what a reading can be relied on for.",
            mend="Look at the state of the sensing on the drive's page: it names what is outside, and what mends it.",
            at_drive=True,
        ),
        _K.SENSING_MAINTENANCE: Words(
            title="Sensing wants looking after",
            cause="The sensors still work, but less well than they did.",
            mend="Clean the sensors, set their gaps and tighten the brackets at the next stop.",
            at_drive=True,
        ),
        _K.DEVICE_OFFLINE: Words(
            title="Device offline",
            cause="The capture device said, or its broker says for it, that it is gone.",
            mend="Check the device's supply and its network. It comes back by itself once it reaches the broker.",
            at_drive=False,
        ),
        _K.NO_READING: Words(
            title="No reading while it should give some",
            cause="No window has come for longer than it should take, and the drive was running when the last one came.",
            mend="Check the device, its network and its topic; look under Refused for messages that could not be used.",
            at_drive=False,
            value="Time without a reading",
        ),
        _K.STOPPED_WHEN_DUE: Words(
            title="Stands though it should run",
            cause="The chain has stood for longer than its duty allows.",
            mend="Ask who stopped it, and why. Keep away from it meanwhile: it may start.",
            at_drive=False,
            value="Time standing",
        ),
    }
)

CONSEQUENCES: Mapping[Consequence, str] = MappingProxyType(
    {
        Consequence.MINOR: "a value is missing or early to know; the chain itself is well",
        Consequence.SERIOUS: "wear goes on faster, or unseen, or a stop has to be found",
        Consequence.GRAVE: "the chain may jump teeth or break",
    }
)
RESPONDS: Mapping[Respond, str] = MappingProxyType(
    {Respond.WEEKS: "within weeks", Respond.DAYS: "within days", Respond.SHIFT: "within the shift"}
)

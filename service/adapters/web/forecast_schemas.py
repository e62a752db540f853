"""What the API gives of forecasts, as Pydantic models with an example each."""

from datetime import tzinfo
from typing import Any, Self

from pydantic import ConfigDict, Field

from service.adapters.web import forecast_words
from service.adapters.web.instants import Instant
from service.adapters.web.schemas import Out
from service.core.forecast_quality import Quality
from service.core.prognosis import Outcome
from service.ports import KeptPrognosis


class PassageOut(Out):
    """One quantile of when the limit is reached, since the forecast was made."""

    probability: float
    clock: float | None = Field(description="Of the clock of wear: joints passed, or hours without a count")
    hours: float | None = Field(description="Of running")
    time: Instant | None = Field(description="null: more than ten years ahead, where no date is told")

    @classmethod
    def of(cls, passage: dict[str, Any]) -> Self:
        """Return a quantile as the API gives it."""
        return cls.model_construct(
            probability=passage["probability"],
            clock=passage["clock"],
            hours=passage["hours"],
            time=passage["t_ns"],
        )


class RateOut(Out):
    """How fast the chain wears now. Per cent of elongation; u is a standard uncertainty (k = 1)."""

    per_million_clock_pct: float
    per_million_clock_u_pct: float
    per_1000_h_pct: float | None
    per_30_days_pct: float | None


class BendOut(Out):
    """A change of the rate that came at once and lasts."""

    probability: float
    time: Instant
    factor: float = Field(description="Rate after it by rate before")


class LentOut(Out):
    """What the other chains of the class lent."""

    class_name: str
    chains: int
    weight: float = Field(description="Of the class in the rate: 1 all, 0 nothing")


class DataOut(Out):
    """What the forecast was made from."""

    observations: int
    by_hand: int
    epochs: int = Field(description="Baselines and other references that the elongations rest on")
    left_out_bedding_in: int
    left_out_old_epochs: int
    first: Instant | None
    last: Instant | None


class ClockOut(Out):
    """The clock of wear when the forecast was made, since the chain was fitted."""

    unit: str = Field(description="joints: joints passed; hours: of running by plan or calendar")
    now: float
    hours: float
    filled_share: float = Field(description="Of it, filled in for times in which nothing was heard")
    load_n: float | None = Field(description="Load at which a joint counts as one; null: loads are not sent")


_EXAMPLE: dict[str, Any] = {
    "number": 4711,
    "drive_id": "infeed-2",
    "chain_id": "infeed-2-2026-03-02",
    "made": "2026-11-25T08:00:00Z",
    "outcome": "forecast",
    "words": "Reaches 3.00 % between 12 Mar 2027 and 28 May 2027, most likely 14 Apr 2027. In eight of ten cases it comes "
    "within that interval.",
    "failure_mode": "wear elongation reaches its limit",
    "set_point_pct": 3.0,
    "elongation_pct": 1.93,
    "elongation_u_pct": 0.04,
    "rate": {
        "per_million_clock_pct": 0.0061,
        "per_million_clock_u_pct": 0.0003,
        "per_1000_h_pct": 0.42,
        "per_30_days_pct": 0.21,
    },
    "confidence": 0.8,
    "p10": "2027-03-12T00:00:00Z",
    "p50": "2027-04-14T00:00:00Z",
    "p90": "2027-05-28T00:00:00Z",
    "passages": [
        {"probability": 0.1, "clock": 1.31e8, "hours": 1870.0, "time": "2027-03-12T00:00:00Z"},
        {"probability": 0.5, "clock": 1.74e8, "hours": 2480.0, "time": "2027-04-14T00:00:00Z"},
    ],
    "as_it_goes": "2027-04-20T00:00:00Z",
    "bend": None,
    "lent": {"class_name": "infeed", "chains": 7, "weight": 0.12},
    "data": {
        "observations": 268,
        "by_hand": 2,
        "epochs": 2,
        "left_out_bedding_in": 4,
        "left_out_old_epochs": 0,
        "first": "2026-03-04T12:00:00Z",
        "last": "2026-11-25T07:30:00Z",
    },
    "clock": {"unit": "joints", "now": 3.1e8, "hours": 4420.0, "filled_share": 0.02, "load_n": None},
    "assumptions": [
        "Wear goes with joints passed; the chain, its lubrication and its load stay as they are.",
        "The drive runs 96 h a week, as its last 38 weeks show.",
    ],
    "version": "wear forecast 2",
}


class ForecastOut(Out):
    """When a chain reaches its limit, with what that rests on: a prognosis as it was made."""

    model_config = ConfigDict(json_schema_extra={"examples": [_EXAMPLE]})

    number: int
    drive_id: str
    chain_id: str
    made: Instant
    outcome: Outcome
    words: str = Field(description="The outcome for people, dates in the zone of the plant")
    failure_mode: str
    set_point_pct: float
    elongation_pct: float | None = Field(description="As the forecast sees it, at `made`")
    elongation_u_pct: float | None
    rate: RateOut | None
    confidence: float = Field(description="That the limit comes from p10 to p90")
    p10: Instant | None = Field(description="One chance in ten that the limit comes before")
    p50: Instant | None
    p90: Instant | None = Field(description="null: more than ten years ahead, where no date is told")
    passages: list[PassageOut]
    as_it_goes: Instant | None = Field(description="The median if the rate does not change any more")
    bend: BendOut | None
    lent: LentOut | None
    data: DataOut
    clock: ClockOut | None
    assumptions: list[str]
    version: str = Field(description="Of the method")

    @classmethod
    def of(cls, kept: KeptPrognosis, zone: tzinfo) -> Self:
        """Return a prognosis as the API gives it."""
        document = kept.document
        data, bend, straight = document["data"], document["bend"], document["as_it_goes"]
        return cls.model_construct(
            number=kept.number,
            drive_id=kept.drive_id,
            chain_id=kept.chain_id,
            made=kept.made_ns,
            outcome=kept.outcome,
            words=forecast_words.sentence(kept, zone),
            failure_mode=document["failure_mode"],
            set_point_pct=kept.set_point_pct,
            elongation_pct=document["elongation_pct"],
            elongation_u_pct=document["elongation_u_pct"],
            rate=RateOut.model_construct(**document["rate"]) if document["rate"] else None,
            confidence=document["confidence"],
            p10=kept.p10_ns,
            p50=kept.p50_ns,
            p90=kept.p90_ns,
            passages=[PassageOut.of(each) for each in document["passages"]],
            as_it_goes=straight["t_ns"] if straight else None,
            bend=BendOut.model_construct(
                probability=bend["probability"], time=bend["t_ns"], factor=bend["factor"]
            )
            if bend
            else None,
            lent=LentOut.model_construct(**document["lent"]) if document["lent"] else None,
            data=DataOut.model_construct(
                **{name: value for name, value in data.items() if not name.endswith("_ns")},
                first=data["first_ns"],
                last=data["last_ns"],
            ),
            clock=ClockOut.model_construct(**document["clock"]) if "clock" in document else None,
            assumptions=list(document["assumptions"]),
            version=kept.version,
        )


class ForecastsOut(Out):
    """Past forecasts of a drive, the newest first."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"forecasts": [_EXAMPLE], "next": 4702}]})

    forecasts: list[ForecastOut]
    next: int | None = Field(description="`cursor` of the next page; null: this is the last")


class ForecastQualityOut(Out):
    """How good forecasts were. Shares are null where fewer than five chains reached their limit: too few to judge."""

    drive_class: str = Field(description='"": all classes together')
    chains: int = Field(description="That reached their limit and had forecasts before")
    not_judged: int = Field(
        description="That came off below their limit, which proves no forecast right or wrong"
    )
    forecasts: int
    enough: bool
    words: str
    coverage: float | None = Field(
        description="Share of all forecasts whose interval held what came; 0.8 is right"
    )
    held: float | None = Field(description="The same of the forecasts half-way, one a chain")
    held_low: float | None = Field(description="Its 95 % interval")
    held_high: float | None
    early: float | None = Field(description="Share of forecasts whose end came before p10; 0.1 is right")
    late: float | None = Field(description="After p90; 0.1 is right")
    accurate: float | None = Field(
        description="Share of chains whose forecast half-way was within 20 % of what was left"
    )
    error_days: float | None = Field(description="Median of how far p50 was off")
    relative_error: float | None = Field(description="The same by what was left of the life")
    horizon_days: float | None = Field(
        description="Median of how long before the end forecasts were within 10 % of the life, and stayed there"
    )

    @classmethod
    def of(cls, quality: Quality) -> Self:
        """Return the quality of one class as the API gives it."""
        values = {name: getattr(quality, name) for name in cls.model_fields if name != "words"}
        return cls.model_construct(**values, words=quality_words(quality))


class QualitiesOut(Out):
    """How good past forecasts were, all together first, then by class of drives."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "classes": [
                        {
                            "drive_class": "",
                            "chains": 11,
                            "not_judged": 3,
                            "forecasts": 2140,
                            "enough": True,
                            "words": "Of 11 chains that had forecasts and reached the limit, the interval told half-way held what came "
                            "for 82 % (95 % interval 52 to 95 %); 80 % would be right.",
                            "coverage": 0.81,
                            "held": 0.82,
                            "held_low": 0.52,
                            "held_high": 0.95,
                            "early": 0.11,
                            "late": 0.08,
                            "accurate": 0.73,
                            "error_days": 19.0,
                            "relative_error": 0.11,
                            "horizon_days": 140.0,
                        }
                    ]
                }
            ]
        }
    )

    classes: list[ForecastQualityOut]


def quality_words(quality: Quality) -> str:
    """Return how good forecasts were, in a sentence that says no more than the chains behind it allow."""
    chains = (
        "1 chain that had forecasts" if quality.chains == 1 else f"{quality.chains} chains that had forecasts"
    )
    if quality.held is None or quality.held_low is None or quality.held_high is None:
        reached = "none" if not quality.chains else f"only {chains}"
        return f"Too few to judge: {reached} reached the limit so far; it takes five."
    return (
        f"Of {chains} and reached the limit, the interval told half-way held what came for {100 * quality.held:.0f} % "
        f"(95 % interval {100 * quality.held_low:.0f} to {100 * quality.held_high:.0f} %); 80 % would be right."
    )

"""deploy/asyncapi.yaml and deploy/WIRE.md against the code: neither may promise what the decoder does not do."""

import json
import re
from pathlib import Path
from typing import Any

import msgspec
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from service.core.alert import Act, Annunciation, Event, Hold, advance, applied, begin
from service.core.announce import (
    ElongationFields,
    alerts_topic,
    documents_topic,
    elongation_payload,
    elongation_topic,
    events_topic,
)
from service.core.batch import PAYLOAD_BYTES_MAX, PULSES_MAX, Batch, RejectionReason
from service.core.drive import DRIVE_ID, Drive
from service.core.event import (
    AlertsFields,
    CloudEvent,
    DriveFields,
    StandingFields,
    TransitionFields,
    alert_event,
    alerts_payload,
    encode,
    linked,
    trial_event,
)
from service.core.instant import format_rfc3339, parse_rfc3339
from service.core.not_measured import NotMeasured
from service.core.reading import Reading
from service.core.setpoint import ConditionKind, Facts, Priority
from service.core.wire import (
    AHEAD_NS_MAX,
    CBOR_TYPE,
    INT64_MAX,
    JSON_TYPE,
    T0_NS_MIN,
    Form,
    LagFields,
    PulsesFields,
    Refusal,
    Topic,
    decode,
    decode_status,
    parse_topic,
    subscriptions,
)
from tests.strategies import NOW_NS, Fields, lags, pulses, to_cbor, to_json, values

DEPLOY = Path(__file__).parents[1] / "deploy"
DOCUMENT: dict[str, Any] = yaml.safe_load((DEPLOY / "asyncapi.yaml").read_text())
PAGE = (DEPLOY / "WIRE.md").read_text()
SCHEMAS: dict[str, Any] = DOCUMENT["components"]["schemas"]
MESSAGES: dict[str, Any] = DOCUMENT["components"]["messages"]
STRUCTS: dict[str, Any] = {"pulses": PulsesFields, "lag": LagFields, "elongation": ElongationFields}


def outcome(payload: bytes, form: Form) -> Batch | Refusal:
    return decode(payload, form=form, drive_id="d", content_type=None, now_ns=NOW_NS)


# The document against the decoder's fields


def coded(struct: Any) -> dict[str, Any]:
    """The schema that msgspec derives from the code, written as the document writes it."""
    schema = msgspec.json.schema(struct)
    found: dict[str, Any] = schema["$defs"][struct.__name__]
    properties = {name: flat(prop) for name, prop in found["properties"].items()}
    return {"required": set(found["required"]), "properties": properties}


def flat(prop: dict[str, Any]) -> dict[str, Any]:
    """`anyOf` of a type and null becomes a list of types, as the document has it; a default of null is none."""
    merged = {key: value for key, value in prop.items() if key != "anyOf"}
    kinds: list[str] = []
    for part in prop.get("anyOf", [prop]):
        if "enum" in part:
            merged["enum"] = sorted(part["enum"])
        if "type" in part:
            kinds.append(part["type"])
        merged |= {key: value for key, value in part.items() if key not in {"type", "enum"}}
    if "enum" in merged:
        merged["enum"] = [*merged["enum"], *([None] if "null" in kinds else [])]
        merged.pop("type", None)
    elif kinds:
        merged["type"] = sorted(kinds) if len(kinds) > 1 else kinds[0]
    return {key: value for key, value in merged.items() if (key, value) != ("default", None)}


def written(schema: dict[str, Any]) -> dict[str, Any]:
    """The document's schema without its prose, in the same order as `coded`."""
    properties = {}
    for name, prop in schema["properties"].items():
        bare = {key: value for key, value in prop.items() if key != "description"}
        if isinstance(bare.get("type"), list):
            bare["type"] = sorted(bare["type"])
        if "enum" in bare:
            bare["enum"] = sorted(bare["enum"], key=lambda value: (value is None, value or 0))
        properties[name] = bare
    return {"required": set(schema["required"]), "properties": properties}


@pytest.mark.parametrize("name", ["pulses", "lag"])
def test_the_document_has_the_decoder_s_fields_needs_defaults_and_ranges(name: str) -> None:
    document, code = written(SCHEMAS[name]), coded(STRUCTS[name])
    for sensor in ("up", "down") if name == "pulses" else ():
        # These limits stand in the code, not in its types; the next test holds them.
        document["properties"][sensor] = {"type": "array", "items": {"type": "integer"}}
    assert document["required"] == code["required"]
    assert document["properties"] == code["properties"]


def test_the_document_has_the_limits_of_the_ticks() -> None:
    for sensor in ("up", "down"):
        prop = SCHEMAS["pulses"]["properties"][sensor]
        assert prop["maxItems"] == PULSES_MAX
        assert prop["items"] == {"type": "integer", "minimum": 0, "maximum": INT64_MAX}


def test_the_document_has_the_fields_of_the_elongation() -> None:
    document = written(SCHEMAS["elongation"])
    assert document["required"] == set(document["properties"]) == set(ElongationFields.__struct_fields__)
    reasons = document["properties"].pop("reason")["enum"]
    assert set(reasons) == {None, *(reason.value for reason in NotMeasured)}
    code = coded(ElongationFields)["properties"]
    assert document["properties"] == {
        name: {key: value for key, value in prop.items() if key != "default"}
        for name, prop in code.items()
        if name != "reason"
    }


UNITS = {
    "_us": "microseconds",
    "_ms": "milliseconds",
    "_ns": "nanoseconds",
    "_ticks": "ticks",
    "_c": "degrees Celsius",
    "load_n": "newtons",
    "_pct": "per cent",
    "_m_s": "m/s",
    "pitches_between": "Pitches",
    "pitches_averaged": "Pitches",
    "lag_pitches": "Fractional part",
    "up": "Ticks",
    "down": "The same",
}


@pytest.mark.parametrize("name", ["pulses", "lag", "elongation"])
def test_every_field_with_a_unit_says_it_in_words(name: str) -> None:
    for field, prop in SCHEMAS[name]["properties"].items():
        said = prop["description"]
        if said.startswith(("As in pulses", "As the device sent it")):
            said = SCHEMAS["pulses"]["properties"][field]["description"]
        suffix = next(
            (each for each in UNITS if field == each or (each[0] == "_" and field.endswith(each))), None
        )
        assert suffix is not None or field in WITHOUT_UNIT, (
            f"{field}: give it a unit, or say that it has none"
        )
        assert suffix is None or UNITS[suffix] in said, (field, said)


WITHOUT_UNIT = {
    *("v", "seq", "t", "t0", "delta", "dir", "dev", "count", "reason", "coherence", "chain", "whole_laps"),
    *("up_pulses", "down_pulses", "up_missed", "down_missed", "up_extra", "down_extra"),
}


def test_the_document_has_the_bounds_of_the_clock_and_both_content_types() -> None:
    said = SCHEMAS["pulses"]["properties"]["t0"]["description"]
    assert f"At the earliest {format_rfc3339(T0_NS_MIN)[:4]}" in said
    assert f"at the latest {AHEAD_NS_MAX // 60_000_000_000} min ahead" in said
    assert parse_rfc3339("2000-01-01T00:00:00Z") == T0_NS_MIN
    kinds = {name: MESSAGES[name].get("contentType", DOCUMENT["defaultContentType"]) for name in MESSAGES}
    assert (kinds["pulses"], kinds["lag"], kinds["pulsesCbor"]) == (JSON_TYPE, JSON_TYPE, CBOR_TYPE)


# The document against what the decoder does: a validator of our own for the part of JSON Schema it uses

TYPES: dict[str, tuple[type, ...]] = {
    "null": (type(None),),
    "boolean": (bool,),
    "integer": (int,),
    "number": (int, float),
    "string": (str,),
    "array": (list,),
    "object": (dict,),
}
KEYWORDS = {
    *(
        "type",
        "enum",
        "minimum",
        "maximum",
        "exclusiveMinimum",
        "multipleOf",
        "maxLength",
        "maxItems",
        "items",
    ),
    *("required", "properties", "description", "default"),
}


def fits(value: Any, schema: dict[str, Any]) -> bool:
    """Whether a value fits a schema. Unlike JSON Schema, 1.0 is no integer and true is no number."""
    assert set(schema) <= KEYWORDS, set(schema) - KEYWORDS
    kinds = schema.get("type", [])
    kinds = [kinds] if isinstance(kinds, str) else kinds
    return (
        (not kinds or any(type(value) in TYPES[kind] for kind in kinds))
        and (
            "enum" not in schema
            or any(value == each and type(value) is type(each) for each in schema["enum"])
        )
        and (type(value) not in {int, float} or in_range(value, schema))
        and (not isinstance(value, str) or len(value) <= schema.get("maxLength", len(value)))
        and (not isinstance(value, list) or items_fit(value, schema))
        and (not isinstance(value, dict) or fields_fit(value, schema))
    )


def items_fit(value: list[Any], schema: dict[str, Any]) -> bool:
    few = len(value) <= schema.get("maxItems", len(value))
    return few and all(fits(each, schema.get("items", {})) for each in value)


def fields_fit(value: dict[str, Any], schema: dict[str, Any]) -> bool:
    properties = schema.get("properties", {})
    whole = set(schema.get("required", [])) <= set(value)
    return whole and all(fits(value[name], prop) for name, prop in properties.items() if name in value)


def in_range(value: float, schema: dict[str, Any]) -> bool:
    return (
        schema.get("minimum", value) <= value <= schema.get("maximum", value)
        and ("exclusiveMinimum" not in schema or value > schema["exclusiveMinimum"])
        and ("multipleOf" not in schema or value % schema["multipleOf"] == 0)
    )


@given(pulses())
def test_what_a_device_may_send_fits_the_document(fields: Fields) -> None:
    assert fits(fields, SCHEMAS["pulses"])


@given(lags())
def test_what_a_device_may_reduce_fits_the_document(fields: Fields) -> None:
    assert fits(fields, SCHEMAS["lag"])


def near_limits(prop: dict[str, Any]) -> list[Any]:
    """Values at, below and above each limit of a property, and of each other type."""
    near: list[Any] = [None, True, False, 0, 1, -1, 2, 1.0, 0.5, "1", "x", [], [0], [1, 2], {}, [-1], [1.0]]
    for limit in ("minimum", "maximum", "exclusiveMinimum"):
        if limit in prop:
            near += [prop[limit] + step for step in (-2, -1, -0.001, 0, 0.001, 1, 2)]
    if "maxLength" in prop:
        near += ["a" * prop["maxLength"], "a" * (prop["maxLength"] + 1)]
    if "maxItems" in prop:
        near += [[0] * prop["maxItems"], [0] * (prop["maxItems"] + 1), [prop["items"]["maximum"] + 1]]
    return near


# What no schema can say: the form of a time, the order of ticks, one field against another, printable text.
BEYOND_SCHEMA = (
    "t0:",
    "lies at tick",
    "puts the end of the window",
    "span_ticks is",
    "lag_us is",
    "period_us is 0",
    "dev is",
)


def agree(fields: Fields, name: str) -> None:
    """The decoder takes what the document allows, and nothing else."""
    result = outcome(to_json(fields), Form(name))
    if not fits(fields, SCHEMAS[name]):
        assert isinstance(result, Refusal), fields
    elif isinstance(result, Refusal):
        assert result.reason in {RejectionReason.TICKS_BACKWARDS, RejectionReason.CLOCK_OFF} or any(
            words in result.detail for words in BEYOND_SCHEMA
        ), (fields, result)


@pytest.mark.parametrize(
    ("name", "field"), [(name, field) for name in ("pulses", "lag") for field in SCHEMAS[name]["properties"]]
)
def test_the_decoder_keeps_every_limit_of_the_document(name: str, field: str) -> None:
    example = MESSAGES[name]["examples"][0]["payload"]
    for value in near_limits(SCHEMAS[name]["properties"][field]):
        agree({**example, field: value}, name)


@given(pulses(), st.sampled_from(sorted(SCHEMAS["pulses"]["properties"])), values())
def test_the_decoder_and_the_document_agree_on_pulses(fields: Fields, field: str, value: Any) -> None:
    agree({**fields, field: value}, "pulses")


@given(lags(), st.sampled_from(sorted(SCHEMAS["lag"]["properties"])), values())
def test_the_decoder_and_the_document_agree_on_lag(fields: Fields, field: str, value: Any) -> None:
    agree({**fields, field: value}, "lag")


@pytest.mark.parametrize("name", ["pulses", "lag"])
def test_a_needed_field_left_out_is_refused_and_any_other_is_not(name: str) -> None:
    whole = dict.fromkeys(SCHEMAS[name]["properties"])
    whole |= MESSAGES[name]["examples"][0]["payload"]
    whole = {field: value for field, value in whole.items() if value is not None}
    for field in whole:
        result = outcome(to_json({each: value for each, value in whole.items() if each != field}), Form(name))
        assert isinstance(result, Refusal) == (field in SCHEMAS[name]["required"]), field


@given(st.dictionaries(st.sampled_from(["v", "online", "x"]), values() | st.just(1)))
def test_the_decoder_and_the_document_agree_on_status(fields: Fields) -> None:
    assert (decode_status(to_json(fields)) is not None) == fits(fields, SCHEMAS["status"])


# Examples


@pytest.mark.parametrize("name", ["pulses", "lag"])
def test_every_example_of_the_document_is_taken(name: str) -> None:
    for example in MESSAGES[name]["examples"]:
        for payload in (to_json(example["payload"]), to_cbor(example["payload"])):
            result = outcome(payload, Form(name))
            assert isinstance(result, Batch), (example["name"], result)


def test_the_cbor_example_is_the_json_example() -> None:
    examples = {each["name"]: each["payload"] for each in MESSAGES["pulses"]["examples"]}
    for example in MESSAGES["pulsesCbor"]["x-examples-hex"]:
        as_cbor = outcome(bytes.fromhex(example["hex"]), Form.PULSES)
        as_json = outcome(to_json(examples[example["name"]]), Form.PULSES)
        assert_same(as_cbor, as_json)


def assert_same(one: Batch | Refusal, other: Batch | Refusal) -> None:
    assert isinstance(one, Batch)
    assert isinstance(other, Batch)
    for name in Batch.__slots__:
        mine, theirs = getattr(one, name), getattr(other, name)
        assert mine.tolist() == theirs.tolist() if name in {"up", "down"} else mine == theirs, name


def test_the_status_examples_say_what_they_are_named() -> None:
    said = {each["name"]: decode_status(to_json(each["payload"])) for each in MESSAGES["status"]["examples"]}
    assert said == {"birth": True, "will": False}


@pytest.mark.parametrize("name", sorted(SCHEMAS))
def test_every_example_fits_its_own_schema(name: str) -> None:
    for example in MESSAGES[name]["examples"]:
        assert fits(example["payload"], SCHEMAS[name]), example["name"]


def reading(**changes: Any) -> Reading:
    facts: dict[str, Any] = dict.fromkeys(Reading.__slots__)
    facts |= {"drive_id": "d", "device_id": "", "t0_ns": NOW_NS, "seq": 4, "t_ns": NOW_NS + 10**9}
    counts = ["pitches_averaged", "whole_laps", "up_pulses", "down_pulses"]
    counts += ["up_missed", "down_missed", "up_extra", "down_extra"]
    return Reading(**{**facts, **dict.fromkeys(counts, 0), **changes})


def test_a_reading_is_announced_as_the_document_says() -> None:
    measured = reading(
        chain_id="c",
        elongation_pct=1.23456789,
        elongation_u_pct=0.05,
        pitches_between=22.1,
        lag_pitches=0.1,
        speed_m_s=1.5,
        coherence=0.99,
        pitches_averaged=120,
    )
    said = json.loads(elongation_payload(measured, 3.0))
    assert fits(said, SCHEMAS["elongation"])
    assert said["v"] == 1
    assert said["t"] == "2026-11-25T08:20:01.000000Z"
    assert said["t0"] == "2026-11-25T08:20:00.000000Z"
    assert (said["elongation_pct"], said["u_pct"], said["limit_pct"], said["reason"]) == (
        1.23457,
        0.05,
        3.0,
        None,
    )
    assert (said["chain"], said["seq"], said["pitches_averaged"]) == ("c", 4, 120)


SAID: dict[str, Any] = {"alerts": AlertsFields, "events": CloudEvent}


@pytest.mark.parametrize("name", SAID)
def test_the_document_has_the_fields_of_what_is_said_of_alerts(name: str) -> None:
    schema = SCHEMAS[name]
    assert set(schema["properties"]) == set(schema["required"]) == set(SAID[name].__struct_fields__)


@pytest.mark.parametrize(
    ("schema", "struct"),
    [
        (SCHEMAS["alerts"]["properties"]["alerts"]["items"], StandingFields),
        (SCHEMAS["events"]["properties"]["data"], TransitionFields),
        (SCHEMAS["events"]["properties"]["data"]["properties"]["drive"], DriveFields),
    ],
)
def test_the_document_has_the_fields_within_them(schema: dict[str, Any], struct: Any) -> None:
    always = set(schema["properties"]) - {"link"}  # which is there where the address of the pages is set
    assert always == set(schema["required"]) == set(struct.__struct_fields__)


def test_the_document_has_every_word_of_the_life_of_an_alert() -> None:
    of_data = SCHEMAS["events"]["properties"]["data"]["properties"]
    of_alert = SCHEMAS["alerts"]["properties"]["alerts"]["items"]["properties"]
    assert of_data["event"]["enum"] == [str(each) for each in Event]
    for words in (of_data["before"], of_data["after"], of_alert["annunciation"]):
        assert words["enum"] == [str(each) for each in Annunciation]
    for words in (of_data["holds"]["items"], of_alert["holds"]["items"]):
        assert words["enum"] == [str(each) for each in Hold]
    for words in (of_data["priority"], of_alert["priority"]):
        assert words["enum"] == [each.name.lower() for each in Priority]


@pytest.mark.parametrize(
    "facts", [None, Facts(cause="c", mend="m", value=2.0, u=0.1, setpoint=1.9, unit="%", at_drive=True)]
)
def test_what_happens_to_an_alert_is_said_as_the_document_says(facts: Facts | None) -> None:
    alert = begin("d", ConditionKind.NEAR)
    for event in (Event.OCCUR, Event.SHELVE, Event.ACKNOWLEDGE):
        act = Act(event=event, why="w", true_ns=NOW_NS, recorded_ns=NOW_NS, until_ns=NOW_NS + 1, facts=facts)
        step = advance(alert, act)
        alert = applied(alert, step)
        told = alert_event(step, Drive(drive_id="d"), "x")
        for each in (told, linked(told, "https://chains.plant.example", "/alerts/d.near")):
            assert fits(json.loads(encode(each)), SCHEMAS["events"])
        assert fits(json.loads(alerts_payload([alert], NOW_NS)), SCHEMAS["alerts"])
    assert fits(json.loads(encode(trial_event("r", "t", NOW_NS, "x"))), SCHEMAS["documents"])


@pytest.mark.parametrize("reason", NotMeasured)
def test_a_reading_without_a_number_says_why(reason: NotMeasured) -> None:
    said = json.loads(elongation_payload(reading(reason=reason)))
    assert fits(said, SCHEMAS["elongation"])
    assert (said["elongation_pct"], said["u_pct"], said["limit_pct"]) == (None, None, None)
    assert said["reason"] == reason.value


# Topics


def test_the_topics_of_the_document_are_those_of_the_code() -> None:
    addresses = {name: channel["address"] for name, channel in DOCUMENT["channels"].items()}
    root = "linklag/v1"
    for form in Form:
        assert addresses.pop(form.value) == f"{root}/{{drive}}/{form}"
        assert parse_topic(f"{root}/press-3/{form}", root) == Topic("press-3", form)
        assert f"{root}/+/{form}" in subscriptions(root)
    assert addresses == {
        "elongation": elongation_topic(root, "{drive}"),
        "alerts": alerts_topic(root, "{drive}"),
        "events": events_topic(root, "{drive}"),
        "documents": documents_topic(root),
    }


def test_the_service_receives_what_devices_publish_and_sends_the_rest() -> None:
    actions = {op["channel"]["$ref"].split("/")[-1]: op["action"] for op in DOCUMENT["operations"].values()}
    assert actions == {
        **dict.fromkeys(("pulses", "lag", "status"), "receive"),
        **dict.fromkeys(("elongation", "alerts", "events", "documents"), "send"),
    }


def test_every_reference_in_the_document_leads_somewhere() -> None:
    def references(node: Any) -> list[str]:
        if isinstance(node, dict):
            inner = [each for value in node.values() for each in references(value)]
            return [*inner, *([node["$ref"]] if "$ref" in node else [])]
        return [each for value in node for each in references(value)] if isinstance(node, list) else []

    found = references(DOCUMENT)
    assert found
    for reference in found:
        node = DOCUMENT
        for part in reference.removeprefix("#/").split("/"):
            node = node[part]


def test_the_document_is_of_asyncapi_3_and_uses_its_root_fields_only() -> None:
    """AsyncAPI 3.0.0, "AsyncAPI Object" and "Operation Object" (from memory)."""
    assert DOCUMENT["asyncapi"] == "3.0.0"
    assert {"title", "version"} <= set(DOCUMENT["info"])
    roots = {
        "asyncapi",
        "id",
        "info",
        "servers",
        "defaultContentType",
        "channels",
        "operations",
        "components",
    }
    assert set(DOCUMENT) <= roots
    for operation in DOCUMENT["operations"].values():
        assert operation["action"] in {"send", "receive"}
        assert set(operation["bindings"]) == {"mqtt"}
    for server in DOCUMENT["servers"].values():
        assert {"host", "protocol"} <= set(server)


# The page


def rows(heading: str) -> list[list[str]]:
    """The cells of the one table under a heading of the page, without its head."""
    section = PAGE.split(f"## {heading}\n")[1].split("\n## ")[0]
    lines = [line for line in section.splitlines() if line.startswith("|")]
    assert lines[1].startswith("| ---")
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines[2:]]


def named(cell: str) -> list[str]:
    return re.findall(r"`([^`]+)`", cell)


@pytest.mark.parametrize("name", ["pulses", "lag"])
def test_the_page_has_every_field_and_whether_it_is_needed(name: str) -> None:
    needed = {field: row[1] for row in rows(f"`{name}`") for field in named(row[0])}
    schema = SCHEMAS[name]
    assert set(needed) == set(schema["properties"])
    assert {field for field, said in needed.items() if said == "yes"} == set(schema["required"])
    assert set(needed.values()) == {"yes", "no"}


def test_the_page_has_the_defaults_and_ranges_of_the_document() -> None:
    for name in ("pulses", "lag"):
        for row in rows(f"`{name}`"):
            for field in named(row[0]) if row[3] != "as in `pulses`" else ():
                prop = SCHEMAS[name]["properties"][field]
                if "default" in prop:
                    assert row[2] == str(prop["default"]).lower(), field
                for limit in ("minimum", "maximum", "maxLength"):
                    bound = prop.get(limit, 0)
                    if bound not in {0, INT64_MAX} and not (field == "lag_us" and limit == "maximum"):
                        assert str(bound) in row[3], (field, limit)


def test_the_page_has_the_limits_of_size() -> None:
    assert f"at most {PAYLOAD_BYTES_MAX // 1024**2} MiB and {PULSES_MAX} pulses a sensor" in " ".join(
        PAGE.split()
    )


def blocks(kind: str) -> list[str]:
    return re.findall(rf"```{kind}\n(.*?)```", PAGE, re.DOTALL)


def test_every_example_of_the_page_is_taken_and_is_the_document_s() -> None:
    in_page = [json.loads(block) for block in blocks("json")]
    assert in_page == [MESSAGES[name]["examples"][0]["payload"] for name in ("pulses", "lag")]
    assert isinstance(outcome(blocks("json")[0].encode(), Form.PULSES), Batch)
    assert isinstance(outcome(blocks("json")[1].encode(), Form.LAG), Batch)


def test_the_hex_example_of_the_page_is_its_json_example() -> None:
    (as_hex,) = blocks("hex")
    assert_same(outcome(bytes.fromhex(as_hex), Form.PULSES), outcome(blocks("json")[0].encode(), Form.PULSES))


def test_the_page_has_every_topic_and_the_rule_for_ids() -> None:
    topics = {named(row[0])[0] for row in rows("Topics")}
    assert topics == {
        channel["address"].replace("{drive}", "<drive>") for channel in DOCUMENT["channels"].values()
    }
    birth = next(row[3] for row in rows("Topics") if "status" in row[0])
    assert decode_status(named(birth)[0].encode()) is True
    for good, bad in (("a", "A"), ("0", ""), ("a" * 64, "a" * 65), ("a_-9", "-a"), ("z9", "z.9")):
        assert DRIVE_ID.fullmatch(good)
        assert not DRIVE_ID.fullmatch(bad)
    assert "1 to 64 of `a-z 0-9 _ -`, the first a letter or digit" in PAGE


def test_the_page_has_every_reason_for_a_refusal() -> None:
    assert {named(row[0])[0] for row in rows("What comes of a batch")} == {
        each.value for each in RejectionReason
    }


@pytest.mark.parametrize(
    "caution",
    [
        "lock it out",
        "tag it out",
        "guard",
        "lifting chain out of service",
        "Local codes",
        "no safety function",
    ],
)
def test_the_page_shows_the_cautions_before_anything_is_mounted(caution: str) -> None:
    before = PAGE.split("## What the device must do")[0]
    assert caution in " ".join(before.replace("\n>", " ").split())

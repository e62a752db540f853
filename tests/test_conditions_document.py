"""DEVELOPERS.md tells of every condition what the code has."""

from pathlib import Path

from service.core.setpoint import PRIORITY_OF, RULES, ConditionKind, Consequence, Counted, Respond, Rule

DEVELOPERS = (Path(__file__).parents[1] / "DEVELOPERS.md").read_text()
SECTION = DEVELOPERS.split("## When a condition is true", 1)[1].split("\n## ", 1)[0]


def after(count: int, seconds: float, counts: Counted) -> str:
    """Return a delay as the table writes it: 5 readings, 600 s."""
    what = str(counts) if count != 1 else str(counts).replace("measurements", "measurement").removesuffix("s")
    return f"{count} {what}" + (f", {seconds:g} s" if seconds else "")


def row(kind: ConditionKind, rule: Rule) -> str:
    """Return the row of the table."""
    found = rule.setpoint
    value = f"{found.value:g} {rule.unit}" if found.value is not None else ""
    cells = (
        f"`{kind}`" + ("" if found.enabled else " (off)"),
        value,
        f"{found.deadband:g}" if found.deadband else "",
        after(found.on_readings, found.on_s, rule.counts),
        after(found.off_readings, found.off_s, rule.counts),
        f"{found.priority.name.lower()}: {rule.consequence.name.lower()}, {rule.respond.name.lower()}",
        rule.source,
    )
    return "| " + " | ".join(cells) + " |"


def test_the_table_has_every_condition_as_it_is_built_in() -> None:
    rows = [row(kind, rule) for kind, rule in RULES.items()]
    missing = [each for each in rows if each not in SECTION]
    assert not missing, "\n".join(missing)
    assert SECTION.count("\n| `") == len(rows)


def test_the_priorities_stand_as_they_are_in_the_code() -> None:
    for consequence in Consequence:
        cells = [PRIORITY_OF[consequence, respond].name.lower() for respond in Respond]
        assert f"| {consequence.name.lower()} | {' | '.join(cells)} |" in SECTION


def test_what_is_suppressed_while_a_drive_stands_is_named() -> None:
    named = SECTION.split("While a drive stands", 1)[1].split(".", 1)[0]
    for kind, rule in RULES.items():
        assert (f"`{kind}`" in named) is rule.quiet_standing, kind

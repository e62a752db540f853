"""The bill of materials and the audit of `.ci/supply_chain.py`."""

import importlib.util
import json
import re
import sys
import tomllib
from datetime import date
from importlib.metadata import requires
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]
TODAY = date(2026, 11, 27)
BAD = {
    "name": "jinja2",
    "version": "3.1.2",
    "vulns": [{"id": "X-1", "aliases": ["CVE-1"], "fix_versions": ["3.1.3"]}],
}
UNKNOWN = {"name": "jinja2", "skip_reason": "not found"}


def loaded() -> ModuleType:
    spec = importlib.util.spec_from_file_location("supply_chain", ROOT / ".ci" / "supply_chain.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["supply_chain"] = module  # dataclasses look there
    spec.loader.exec_module(module)
    return module


chain = loaded()


INSTALLED: dict[str, str] = chain.installed_in()


def of_run_time() -> set[str]:
    """What linklag needs without extras, and what that needs, by name."""
    coming = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]
    found: set[str] = set()
    while coming:
        each = coming.pop()
        name = re.split(r"[^A-Za-z0-9._-]", each)[0].lower().replace("_", "-").replace(".", "-")
        if "extra ==" not in each and name in INSTALLED and name not in found:
            found.add(name)
            coming += requires(name) or []
    return found


@pytest.fixture(scope="module")
def bill(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    file = tmp_path_factory.mktemp("bill") / "linklag.cdx.json"
    chain.write_bill(Path(sys.executable), file, validate=False)  # which takes long; .ci/run does it
    made: dict[str, Any] = json.loads(file.read_text())
    return made


def test_the_bill_names_every_run_time_dependency_with_its_version(bill: dict[str, Any]) -> None:
    wanted = of_run_time()
    assert len(wanted) > 25
    direct = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]
    assert {re.split(r"[<>=\[]", each)[0].lower() for each in direct} <= wanted
    assert chain.lacking(bill, {name: INSTALLED[name] for name in wanted}) == []


def test_the_bill_is_of_linklag_in_cyclonedx(bill: dict[str, Any]) -> None:
    assert bill["bomFormat"] == "CycloneDX"
    assert bill["metadata"]["component"]["name"] == "linklag"
    assert {each["type"] for each in bill["components"]} == {"library"}


def test_what_a_bill_does_not_name_is_told(bill: dict[str, Any]) -> None:
    assert chain.lacking(bill, {"no-such-thing": "1.0"}) == ["no-such-thing 1.0"]
    assert chain.lacking(bill, {"numpy": "0.0.1"}) == ["numpy 0.0.1"]
    assert chain.lacking({}, {"numpy": "2.0"}) == ["numpy 2.0"]


def asked(monkeypatch: pytest.MonkeyPatch, *, canary: Any, report: Any) -> list[tuple[str, int]]:
    """Let sources answer so; return what they are asked: which, and about how many packages."""
    questions: list[tuple[str, int]] = []

    def answer(source: str, pins: list[str], _into: Path) -> Any:
        questions.append((source, len(pins)))
        return canary if pins == [chain.KNOWN_BAD] else report

    monkeypatch.setattr(chain, "_ask", answer)
    return questions


@pytest.mark.parametrize("canary", [{}, {"dependencies": [UNKNOWN]}, {"dependencies": []}])
def test_a_source_that_does_not_know_a_vulnerability_that_all_know_has_audited_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], canary: Any
) -> None:
    questions = asked(monkeypatch, canary=canary, report={"dependencies": []})
    assert chain._audit(tmp_path) == 0
    assert "NOT AUDITED" in capsys.readouterr().err
    assert questions == [("pypi", 1), ("osv", 1)]  # and no other package is asked about in vain


def test_a_vulnerability_that_is_found_fails_until_it_is_accepted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    questions = asked(monkeypatch, canary={"dependencies": [BAD]}, report={"dependencies": [BAD]})
    monkeypatch.setattr(chain, "ACCEPTED", tmp_path / "accepted.toml")
    assert chain._audit(tmp_path) == 1
    assert "jinja2 3.1.2: X-1 (fixed in 3.1.3)" in capsys.readouterr().err
    assert questions[1][1] == len(chain.installed_in())
    entry = '[[accepted]]\nid = "CVE-1"\nreason = "not used"\nuntil = '
    (tmp_path / "accepted.toml").write_text(f"{entry}9999-12-31\n")
    assert chain._audit(tmp_path) == 0
    (tmp_path / "accepted.toml").write_text(f"{entry}2020-01-01\n")
    assert chain._audit(tmp_path) == 1


def test_nothing_found_is_no_failure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    all_known = [{"name": name, "version": version, "vulns": []} for name, version in INSTALLED.items()]
    asked(monkeypatch, canary={"dependencies": [BAD]}, report={"dependencies": all_known})
    assert chain._audit(tmp_path) == 0
    said = capsys.readouterr()
    assert f"audit by pypi: {len(INSTALLED)} packages, 0 vulnerabilities known" in said.out
    assert said.err == ""


@pytest.mark.parametrize(("report", "silent"), [({}, 0), ({"dependencies": [UNKNOWN]}, -1)])
def test_a_source_that_falls_silent_after_the_first_question_has_audited_nothing(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    report: Any,
    silent: int,
) -> None:
    asked(monkeypatch, canary={"dependencies": [BAD]}, report=report)
    assert chain._audit(tmp_path) == 0
    said = capsys.readouterr()
    assert f"in {len(INSTALLED) + silent} of the packages" in said.err
    assert "0 vulnerabilities known" not in said.out


def test_an_id_counts_under_any_of_its_names_and_to_the_day() -> None:
    (found,) = chain.vulnerabilities({"dependencies": [BAD]})
    for name in ("X-1", "CVE-1"):
        assert chain.not_accepted([found], [chain.Accepted(name, "why", TODAY)], TODAY) == []
    assert chain.not_accepted([found], [chain.Accepted("CVE-2", "why", TODAY)], TODAY) == [found]
    assert chain.not_accepted([found], [chain.Accepted("X-1", "why", date(2026, 11, 26))], TODAY) == [found]


def test_an_entry_until_a_time_of_a_day_is_refused() -> None:
    with pytest.raises(ValueError, match="until, the day"):
        chain.accepted_of('[[accepted]]\nid = "CVE-1"\nreason = "why"\nuntil = 2027-01-01T10:00:00\n')


@pytest.mark.parametrize("lacks", ["id", "reason", "until"])
def test_what_is_accepted_without_id_reason_or_date_is_refused(lacks: str) -> None:
    entry = {"id": '"CVE-1"', "reason": '"why"', "until": "2027-01-01"}
    text = "\n".join(f"{key} = {value}" for key, value in entry.items() if key != lacks)
    with pytest.raises(ValueError, match="the day on which"):
        chain.accepted_of(f"[[accepted]]\n{text}")


def test_the_file_of_what_is_accepted_can_be_read_and_ci_runs_the_audit() -> None:
    assert isinstance(chain.accepted_of((ROOT / ".ci" / "accepted.toml").read_text()), list)
    assert "\n.venv/bin/python .ci/supply_chain.py\n" in (ROOT / ".ci" / "run").read_text()

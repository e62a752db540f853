"""What linklag is made of: a bill of materials of its run-time environment, and an audit of all that is installed.

    .venv/bin/python .ci/supply_chain.py [--into build]

Bill: an environment of its own with what a server gets, and of that build/linklag.cdx.json (CycloneDX), validated and held to
what is installed. Audit: every package of .venv, which has all that run-time has and the tools, by name and version with
pip-audit. A vulnerability that was found fails, unless .ci/accepted.toml has it with a reason and a date that is not over.

An audit that hears nothing proves nothing, and pip-audit says "no known vulnerabilities" where its source does not know a single
package. So a package is asked about first that is known to have one. What no source then answered for was not
audited: that is said loudly, and is no failure.
"""

import argparse
import json
import subprocess
import sys
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from importlib.metadata import distributions
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
ACCEPTED = ROOT / ".ci" / "accepted.toml"
NOT_ON_A_SERVER = frozenset({"demo", "dev", "gpio", "parquet", "plot", "test"})  # extras
BILL = "linklag.cdx.json"
OURS = "linklag"
BEFORE_ALL = frozenset({"pip", "setuptools", "wheel"})  # of the environment, not of linklag
KNOWN_BAD = "jinja2==3.1.2"  # CVE-2024-22195, CVE-2024-34064
SOURCES = ("pypi", "osv")
NOT_AUDITED = """
****************************************************************************************************
*  NOT AUDITED: no source of advisories answers from here for all (asked: {sources}).
*  Nothing is known of vulnerabilities in {count} of the packages that are installed. Run this again
*  where the package index and its advisories, or OSV, can be reached.
****************************************************************************************************
"""


@dataclass(frozen=True, slots=True, order=True)
class Vulnerability:
    """A known one, in a package that is installed."""

    package: str
    version: str
    id: str
    others: tuple[str, ...]  # ids under which it is known too
    fixed_in: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Accepted:
    """One that is lived with: why, and until when."""

    id: str
    reason: str
    until: date


def accepted_of(text: str) -> list[Accepted]:
    """Return what a file of accepted vulnerabilities says. Raises ValueError where an entry says too little."""
    found = []
    for entry in tomllib.loads(text).get("accepted", []):
        if not (entry.get("id") and entry.get("reason") and type(entry.get("until")) is date):
            raise ValueError(
                f"{entry}: give id, reason and until, the day on which it is to be looked at again"
            )
        found.append(Accepted(entry["id"], entry["reason"], entry["until"]))
    return found


def vulnerabilities(report: Mapping[str, Any]) -> list[Vulnerability]:
    """Return those of a report of pip-audit."""
    return sorted(
        Vulnerability(
            each["name"],
            each.get("version", ""),
            one["id"],
            tuple(one.get("aliases", ())),
            tuple(one.get("fix_versions", ())),
        )
        for each in report.get("dependencies", [])
        for one in each.get("vulns", [])
    )


def skipped(report: Mapping[str, Any]) -> list[str]:
    """Return the packages of which the source knew nothing."""
    return sorted(each["name"] for each in report.get("dependencies", []) if "skip_reason" in each)


def unanswered(report: Mapping[str, Any], asked: Iterable[str]) -> list[str]:
    """Return the packages that were asked about and of which a report says nothing at all."""
    named = {_plain(each["name"]) for each in report.get("dependencies", [])}
    return sorted(set(asked) - named)


def not_accepted(
    found: Iterable[Vulnerability], accepted: Sequence[Accepted], today: date
) -> list[Vulnerability]:
    """Return those that fail the run: not accepted, or accepted until a day that is over."""
    good = {each.id for each in accepted if each.until >= today}
    return [each for each in found if not good & {each.id, *each.others}]


def lacking(bill: Mapping[str, Any], installed: Mapping[str, str]) -> list[str]:
    """Return what is installed and not named, with its version, in a bill of materials."""
    named = {(_plain(each["name"]), each.get("version", "")) for each in bill.get("components", [])}
    return sorted(f"{name} {version}" for name, version in installed.items() if (name, version) not in named)


def installed_in(folder: Path | None = None) -> dict[str, str]:
    """Return what is installed in an environment, or in this one, by name; without linklag and what was there before it."""
    path = sys.path if folder is None else [str(each) for each in folder.glob("lib/python3*/site-packages")]
    found = {_plain(each.metadata["Name"]): each.version for each in distributions(path=path)}
    return {name: version for name, version in found.items() if name not in BEFORE_ALL | {OURS}}


def _plain(name: str) -> str:
    return name.lower().replace("_", "-").replace(".", "-")


def main() -> int:
    """Make the bill, then audit; return the exit code."""
    parser = argparse.ArgumentParser(
        description="Bill of materials of the run-time, and audit of what is installed."
    )
    parser.add_argument("--into", type=Path, default=ROOT / "build")
    into: Path = parser.parse_args().into
    into.mkdir(exist_ok=True)
    return max(_bill(into), _audit(into))


def _bill(into: Path) -> int:
    runtime, bill = into / "runtime", into / BILL
    _run([sys.executable, "-m", "venv", "--clear", str(runtime)])
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["optional-dependencies"]
    of_a_server = ",".join(sorted(extras.keys() - NOT_ON_A_SERVER))
    _run([str(runtime / "bin/pip"), "install", "-q", "--no-compile", f"{ROOT}[{of_a_server}]"])
    write_bill(runtime / "bin/python", bill)
    lacks = lacking(json.loads(bill.read_text()), installed_in(runtime))
    if lacks:
        print(f"{bill} does not name {', '.join(lacks)}", file=sys.stderr)
        return 1
    print(f"{bill}: {len(installed_in(runtime))} packages beside linklag")
    return 0


def write_bill(python: Path, bill: Path, *, validate: bool = True) -> None:
    """Write the bill of materials of the environment that an interpreter belongs to."""
    maker = [sys.executable, "-m", "cyclonedx_py", "environment", "--pyproject", str(ROOT / "pyproject.toml")]
    options = ["--of", "JSON", "--output-reproducible", "-o", str(bill)]
    options.append("--validate" if validate else "--no-validate")
    _run([*maker, *options, str(python)])


def _audit(into: Path) -> int:
    installed = installed_in()
    source = next((each for each in SOURCES if vulnerabilities(_ask(each, [KNOWN_BAD], into))), None)
    pins = [f"{name}=={version}" for name, version in sorted(installed.items())]
    report = _ask(source, pins, into) if source else {}
    found = vulnerabilities(report)
    silent = unanswered(report, installed)  # all, where a source fell silent between the two questions
    if silent:
        print(NOT_AUDITED.format(sources=", ".join(SOURCES), count=len(silent)), file=sys.stderr)
    else:
        print(f"audit by {source}: {len(installed)} packages, {len(found)} vulnerabilities known")
    if unknown := skipped(report):
        print(f"  not known to {source}: {', '.join(unknown)}")
    accepted = accepted_of(ACCEPTED.read_text()) if ACCEPTED.exists() else []
    failing = not_accepted(found, accepted, datetime.now(UTC).date())
    for each in failing:
        fixed = f"fixed in {', '.join(each.fixed_in)}" if each.fixed_in else "no version fixes it yet"
        print(f"  {each.package} {each.version}: {each.id} ({fixed})", file=sys.stderr)
    if failing:
        print(f"raise these, or accept them with a reason and a date in {ACCEPTED.name}", file=sys.stderr)
    return 1 if failing else 0


def _ask(source: str, pins: Sequence[str], into: Path) -> dict[str, Any]:
    """Return what a source says of these packages; nothing where it cannot be reached."""
    asked = into / "audited.txt"
    asked.write_text("\n".join(pins) + "\n")
    how = ["--no-deps", "--disable-pip", "--progress-spinner", "off", "--timeout", "15", "-f", "json"]
    command = [sys.executable, "-m", "pip_audit", "-s", source, "-r", str(asked), *how]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    try:
        said: dict[str, Any] = json.loads(done.stdout)
    except ValueError:
        return {}
    return said


def _run(command: Sequence[str]) -> None:
    subprocess.run(command, check=True)


if __name__ == "__main__":
    sys.exit(main())

"""README and DEVELOPERS.md say what is so: map, commands, addresses, words."""

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()
TRACKED = subprocess.run(
    ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
).stdout.split()


def modules(folder: str) -> set[str]:
    return {
        path.stem if path.is_file() else path.name
        for path in (ROOT / folder).iterdir()
        if not path.name.startswith("_") and (path.suffix == ".py" or (path / "__init__.py").exists())
    }


@pytest.mark.parametrize("folder", ["service", "service/core", "service/adapters"])
def test_every_module_stands_in_the_map(folder: str) -> None:
    the_map = DEVELOPERS.split("### Map", 1)[1].split("### Walk", 1)[0]
    missing = {name for name in modules(folder) if not re.search(rf"\b{name}\b", the_map)}
    assert not missing, f"DEVELOPERS.md, Map, lacks {sorted(missing)} of {folder}"


def test_every_demand_names_tests_that_are_there() -> None:
    rows = DEVELOPERS.split("### What must hold", 1)[1].split("\n\n", 2)[1].splitlines()[2:]
    assert len(rows) >= 8
    for row in rows:
        files = re.findall(r"`(tests/[\w/]+\.py)`(?:: ((?:`\w+`(?:, )?)+))?", row)
        assert files, f"no test stands beside: {row}"
        for path, names in files:
            text = (ROOT / path).read_text()
            lacking = [name for name in re.findall(r"\w+", names) if f"def test_{name}" not in text]
            assert not lacking, f"{path} has no test that begins with {lacking}"


def test_the_map_names_no_room_that_is_not_there() -> None:
    the_map = DEVELOPERS.split("### Map", 1)[1].split("### Walk", 1)[0]
    core_line = re.search(r"core/ +(.*?)\n  adapters/", the_map, re.DOTALL)
    assert core_line is not None
    words = set(re.findall(r"[a-z_]+", core_line[1].split(":")[0]))
    assert words == modules("service/core")


@pytest.mark.parametrize("link", sorted(set(re.findall(r"\]\(([^)#:]+)\)", README + DEVELOPERS))))
def test_links_lead_somewhere(link: str) -> None:
    assert (ROOT / link).exists()


@pytest.mark.parametrize(
    "option", sorted(set(re.findall(r"(?<=\s)--[a-z-]+", README.split("## From two", 1)[1])))
)
def test_options_in_the_readme_exist(option: str) -> None:
    from typer.main import get_command

    from service.main import app

    known: set[str] = set()
    todo = [get_command(app)]
    while todo:
        command = todo.pop()
        known |= {name for parameter in command.params for name in parameter.opts}
        todo += list(getattr(command, "commands", {}).values())
    assert option in known


def test_addresses_in_the_readme_are_routes(tmp_path: Path) -> None:
    from starlette.testclient import TestClient

    from service.adapters.database.connect import migrate, open_database
    from service.adapters.web.app import create_app

    url = f"sqlite:///{tmp_path / 'documents.db'}"
    migrate(url)
    database = open_database(url)
    app = create_app(database)
    patterns = [
        re.sub(r"\{[^}]*\}", "[^ ]+", path)
        for path in [*app.openapi()["paths"], "/api", "/api/v1/openapi.json"]
    ]
    with TestClient(app, base_url="http://127.0.0.1") as client:
        assert all(client.get(page).status_code == 200 for page in ("/api", "/api/v1/openapi.json"))
    database.close()
    addresses = re.findall(r"(?:8390|[ `])(/(?:api|health|metrics)[^\s`?\"]*)", README)
    assert len(addresses) >= 4
    for address in addresses:
        assert any(re.fullmatch(pattern, re.sub(r"\{[^}]*\}", "x", address)) for pattern in patterns), address


def test_the_top_level_holds_nothing_else() -> None:
    if not TRACKED:
        pytest.skip("no git checkout: which files belong to the project is not known")
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "service", "sensors_sim", "tests", "deploy"}
    top = {path.split("/", 1)[0] for path in TRACKED}
    assert {name for name in top if not name.startswith(".")} <= allowed


def test_the_word_for_a_warning_is_alert() -> None:
    """IEC 62682 calls what allows time for a response an alert; the other word stands only where this is said."""
    other = "ala" + "rm"
    for path in TRACKED:
        if path.endswith((".py", ".md", ".html", ".yaml", ".toml", ".js", ".css")):
            assert other not in (ROOT / path).read_text(errors="replace").lower(), path

"""All texts that pages can say, found in the sources: in templates, in scripts, and in the Python of pages, core and doors.

`python -m tests.adapters.web.texts_in_use de` prints those that a catalogue lacks, ready to be put into it, and those it has too many.
"""

import ast
import re
import sys
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po, write_po
from jinja2 import Environment

from service.adapters.web.template_texts import has_words, texts_of
from service.adapters.web.texts import FOLDER, SCRIPT, STREAMED, TOLD

SERVICE = Path(__file__).parents[3] / "service"
WEB = SERVICE / "adapters" / "web"

Key = tuple[str | None, str]  # context, English text

# Where text is made that pages show as it comes: sentences, and words in tables.
CORE = """
    alert_quality catalogue chain_faults change_cost commission condition condition_words drive duty fields findings
    forecast_quality hand handover health influence learn life lubrication not_measured order people plan planned_stop
    prognosis replacement route setpoint shift side_view sprocket steps strobe supply told looks moved upkeep urgency wear_history work
"""
DOORS = """
    admit answer foretell hand_over import_drives judge look_at_pulses look_back measure_by_hand operate plan_changes regroup set_routes
    set_setpoints set_up sign_in tend
"""
PAGES = """
    access alert_list alerts allowed board board_rows chart check_form forms importing lengths problems sensing series taken
    time_lane trend_view window
"""
PAGES_TOO = ("pages*.py", "*_picture.py", "*_view.py", "*_words.py", "words.py", "next_actions.py")
PAGES_FUNCTIONS = ("forecast_schemas.py",)  # of these, what functions say: the rest is for programs
# Words that are printed from names in the code: members of enumerations, fields of setpoints.
NAMED = """
    high medium low yes no driver driven idler site class drive designation value deadband priority enabled rule tape calliper
    sites stops routes chain chains none and mount pulses pairs windows went came minute hour day week month year years minutes hours weeks months
"""
NAMED_FIELDS = ("on readings", "on s", "off readings", "off s", "the chain", "5 years")
# Sentences in those modules that no page shows: for programs, for who builds linklag, or names within it.
NOT_SHOWN = frozenset(
    {
        "F",
        "C",
        "S",
        "M",
        "K",
        "each point needs an uncertainty above 0: it is its weight",
        "wear forecast 1",
        "infeed",
        "L",
        "start",
        "middle",
        "wear forecast 2",
        "plan-text scale",
        "wear elongation reaches its limit",
        "the limit {limit_pct} % must be above 0",
        "{len} observations lie after now: give those until now, or a later now",
        "there is no alert {alert_id}: an id is that of a drive, a dot and a condition, as GET /api/v1/alerts has them",
        "routes of linklag",
        "name {hash_of}",
        "from {parsed}",
        "from {address}",
        "from {mapped}",
        "from {int}/64",
        "person {FIRST_NAME}",
        "show a token: Authorization: Bearer linklag_...; an administrator makes one under Tokens, or with linklag token add. It must not be expired or revoked",
        "a token is for the API: ask below /api/v1/",
        "this token may use {only} only: ask there, or with another token",
        "web {address_of}",
        "nothing ever happened to an alert {alert_id}: GET /api/v1/alerts?standing=false lists what did",
        "an {word}",
        "route {path} asks for no role: put needs(Role.VIEWER) or more beside it",
        "currentColor",
        "tick minor",
        "raised returned",
        "hand_values baselines chains said_otherwise",
        "grid half",
        "grid zero",
        "link-bar fault",
        "show a token: Authorization: Bearer linklag_...",
        "this is for an engineer or more, and token scada is viewer: ask an administrator for another role",
        "there is no drive 'infeed-3': GET /api/v1/drives lists those that are registered",
        "a drive 'infeed-2' is registered already: choose another id, or change that one",
        "name, note of infeed-2 changed by H. Brandt at 2026-11-25T08:15:00Z since you read them, and nothing was stored: GET the drive again, and make your change to what it is now",
        "the body is over 262144 bytes",
        "whole_pitches must be 1 or more (given -3)",
        "the store cannot be reached: database is locked; try again in a few seconds",
        "is no field here: take it out, or look its name up in /api/v1/openapi.json",
        "Kind of problem, a URN that stays the same",
        "Kind of problem in words",
        "The HTTP status again",
        "What was found this time, and what to do",
        "Path that was asked for",
        "Each field that is not valid: `field` and `detail`",
        "Where somebody was first: the settings that are not as they were",
        "Where somebody was first: the alert as it is now",
        "Value error,",
        "{drive_id} row",
        "shaft",
        "Accept-Language, Cookie",
    }
)
# Strings in those modules that no reader sees.
_NO_TEXT = re.compile(
    r"^(SELECT|<|/|#|\{?\w+\}?[-_./=][\w{}.-]*$|[MLZ] ?\{|%[.\d]*[a-z]\b|\.|\[)"  # SQL, markup, addresses, names, paths of SVG
    r"|application/|=\"|\\d|_of_|url\(|viewBox|class=|\n|^\d+[AB] |^M20 6|^FILES|^VERSION|^[A-Z]\w+Id$| supposed$|Q\{"
)
_TWO_WORDS = re.compile(
    r"[A-Za-z]{2,}.*\s.*[A-Za-z]{2,}|[A-Za-z]{2,}.*[})%]\s|[{}%]\s.*[A-Za-z]{2,}", re.DOTALL
)
_WORD = re.compile(r"[A-Za-z][\w-]*( [\w-]+)*$")
_CALLED_IN_SCRIPTS = re.compile(r'\bt\((?:[\w.]+ \? )?"((?:[^"\\]|\\.)*)"(?: : "((?:[^"\\]|\\.)*)")?')


def in_templates() -> dict[Key, str]:
    """Return the texts of the templates, with the file of each."""
    environment = Environment(trim_blocks=True, lstrip_blocks=True, autoescape=True)
    found: dict[Key, str] = {}
    for path in sorted((WEB / "templates").glob("*.html")):
        for text in texts_of(environment, path.read_text()):
            found.setdefault((None, text), f"templates/{path.name}")
    return found


def in_scripts() -> dict[Key, str]:
    """Return the texts of the scripts: what is handed to t("...")."""
    found: dict[Key, str] = {}
    for path in sorted((WEB / "static").glob("*.js")):
        for match in _CALLED_IN_SCRIPTS.finditer(path.read_text()):
            for text in filter(None, match.groups()):
                found.setdefault((SCRIPT, text), f"static/{path.name}")
    return found


def said() -> dict[Key, str]:
    """Return what is handed to say("...") in the web adapter."""
    found: dict[Key, str] = {}
    for path in sorted(WEB.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and _called(node) == "say" and node.args:
                for each in ast.walk(node.args[0]):
                    if isinstance(each, ast.Constant) and isinstance(each.value, str):
                        found.setdefault((None, each.value), path.name)
    return found


def told() -> dict[Key, str]:
    """Return the sentences and words that come to pages from elsewhere."""
    found: dict[Key, str] = {(TOLD, name): "names" for name in (*NAMED.split(), *NAMED_FIELDS)}
    folders = ((SERVICE / "core", CORE), (SERVICE, DOORS), (WEB, PAGES))
    paths = {folder / f"{name}.py" for folder, names in folders for name in names.split()}
    streamed = [SERVICE / name for name in STREAMED]  # first, so that their texts are known to be theirs
    for path in [*streamed, *sorted(paths.union(*(WEB.glob(pattern) for pattern in PAGES_TOO)))]:
        for text in _texts(ast.parse(path.read_text())):
            found.setdefault((TOLD, text), str(path.relative_to(SERVICE)))
    for name in PAGES_FUNCTIONS:
        tree = ast.parse((WEB / name).read_text())
        tree.body = [each for each in tree.body if isinstance(each, ast.FunctionDef)]
        for text in _texts(tree):
            found.setdefault((TOLD, text), f"adapters/web/{name}")
    return found


@cache
def in_use() -> dict[Key, str]:
    """Return all texts, each with where it stands first."""
    return told() | said() | in_scripts() | in_templates()


def _texts(tree: ast.Module) -> Iterator[str]:
    hidden = set(_hidden(tree))
    words = set(_words(tree))
    for node in ast.walk(tree):
        if id(node) in hidden:
            continue
        if isinstance(node, ast.JoinedStr) or (
            isinstance(node, ast.Constant) and isinstance(node.value, str)
        ):
            text = " ".join(english(node).split())
            if text in NOT_SHOWN or _NO_TEXT.search(text) or not has_words(text):
                continue
            if _TWO_WORDS.search(text) or (id(node) in words and _WORD.match(text)):
                yield text


def english(node: ast.JoinedStr | ast.Constant) -> str:
    """Return a string of the code, with names in braces for what an f-string puts in."""
    if isinstance(node, ast.Constant):
        return str(node.value)
    text, used = "", dict[str, int]()
    for each in node.values:
        if isinstance(each, ast.FormattedValue):
            name = _name(each.value)
            used[name] = used.get(name, 0) + 1
            text += "{" + name + (str(used[name]) if used[name] > 1 else "") + "}"
        elif isinstance(each, ast.Constant):
            text += str(each.value)
    return text


def _name(node: ast.expr) -> str:
    """Return a name for what an f-string puts in."""
    match node:
        case ast.Name(id=name) | ast.Attribute(attr=name):
            found = name.strip("_")
        case ast.Subscript(slice=ast.Constant(value=str() as key)) if key.isidentifier():
            found = key
        case ast.Subscript(value=inner) | ast.Call(func=inner):
            found = _name(inner)
        case ast.IfExp(body=first, orelse=second) | ast.BinOp(left=first, right=second):
            found = next((n for n in (_name(first), _name(second)) if n != "x"), "x")
        case _:
            found = "x"
    return found


def _called(node: ast.Call) -> str:
    return _name(node.func)


_NOT_HANDED_ON = frozenset(
    {"say", "compile", "getLogger", "get", "Query", "needs", "post", "info", "warning"}
)  # what is handed to these is no text that comes to a page by itself


def _hidden(tree: ast.AST) -> Iterator[int]:
    """Return the ids of strings that are no text: docstrings, parts of f-strings, keys, what is compared, names handed on."""
    for node in ast.walk(tree):
        match node:
            case ast.Module(body=body) | ast.ClassDef(body=body) | ast.FunctionDef(body=body):
                if body and isinstance(body[0], ast.Expr):
                    yield id(body[0].value)
            case ast.AsyncFunctionDef(body=[ast.Expr(value=first), *_]):
                yield id(first)
            case ast.JoinedStr():
                yield from _parts(node)
            case ast.Dict(keys=keys):
                yield from (id(each) for each in keys if not _is_sentence(each))
            case ast.Assign(targets=[ast.Name(id="__all__")], value=inner) | ast.Subscript(slice=inner):
                yield from _ids([inner])
            case ast.Compare():
                yield from _ids([node])
            case ast.Call(args=handed) if _called(node) in _NOT_HANDED_ON:
                yield from _ids(handed)
            case _:
                pass


def _ids(nodes: Iterable[ast.AST]) -> Iterator[int]:
    return (id(part) for each in nodes for part in ast.walk(each))


def _parts(whole: ast.JoinedStr) -> Iterator[int]:
    """Return the ids of what an f-string is made of; strings within a value of it are texts of their own."""
    yield from (id(each) for each in whole.values)
    for each in ast.walk(whole):
        if isinstance(each, ast.JoinedStr) and each is not whole and _is_form(whole, each):
            yield from _ids([each])


def _is_form(whole: ast.JoinedStr, inner: ast.JoinedStr) -> bool:
    """Return whether an f-string within another is the form of a value (:.2f) and no text."""
    return any(isinstance(each, ast.FormattedValue) and each.format_spec is inner for each in whole.values)


def _words(tree: ast.AST) -> Iterator[int]:
    """Return the ids of strings that may be texts of a single word: in tables, and with a capital as arguments or in tuples."""
    for node in ast.walk(tree):
        match node:
            case ast.Dict():
                yield from (id(each) for each in node.values)
            case ast.Return(value=ast.expr() as value):
                yield id(value)
            case ast.FormattedValue(value=ast.IfExp(body=first, orelse=second)):
                yield from (id(first), id(second))
            case ast.Call():
                handed = [
                    *node.args,
                    *(each.value for each in node.keywords if each.arg in ("label", "title", "help")),
                ]
                yield from (id(each) for each in handed if _capital(each))
            case ast.Tuple() | ast.List():
                yield from (id(each) for each in node.elts if _capital(each))
            case _:
                pass


def _is_sentence(key: ast.expr | None) -> bool:
    return isinstance(key, ast.Constant) and isinstance(key.value, str) and key.value.count(" ") > 1


def _capital(node: ast.expr) -> bool:
    return (
        isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and node.value[:1].isupper()
        and not node.value.isupper()
    )


def of_catalogue(language: str) -> dict[Key, str]:
    """Return the texts that a catalogue has, by context and English."""
    with (FOLDER / f"{language}.po").open("rb") as file:
        return {
            (each.context, str(each.id)): str(each.string)
            for each in read_po(file, locale=language)
            if each.id
        }


def _print_what_lacks(language: str) -> None:
    used, had = in_use(), of_catalogue(language)
    lacking = Catalog(locale=language)
    for (context, text), where in used.items():
        if (context, text) not in had:
            lacking.add(text, "", context=context, locations=[(where, 0)])
    write_po(sys.stdout.buffer, lacking, width=0, omit_header=True)
    for context, text in had.keys() - used.keys():
        print(f"# too many: {context or ''} {text!r}")


if __name__ == "__main__":
    _print_what_lacks(sys.argv[1] if len(sys.argv) > 1 else "de")

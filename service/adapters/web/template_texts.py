"""Finds what a template says, and puts another language in its place while the template is compiled: no request pays for it.

Knows the tree that Jinja makes of a template, and enough of HTML to tell text from markup; must not know any language.

A run of text within one element is one text: what is printed in it stands in the catalogue as a name in braces, elements within
it (`<a>`, `<b>` ...) by their names without attributes, so that another language may put them in another order:

    <p>On it: <b>{{ chain.chain_id }}</b>, fitted {{ when(chain.fitted_ns) }}.</p>    ->    On it: <b>{chain_id}</b>, fitted {when}.

Attributes that people hear or see (`aria-label`, `title` ...) are texts too; so are strings in expressions that a run prints, and
those handed to macros or kept in variables where they read like words: a capital first, or a blank in them. What is printed from
elsewhere goes through `told`, but for what people entered, by the names in `ENTERED`: a drive called Board stays so.
Blocks (`if`, `for`) cut a run in two.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import cast

from jinja2 import Environment, nodes

HUMAN = frozenset({"aria-label", "title", "placeholder", "alt", "data-label", "aria-description"})
INLINE = frozenset({"a", "b", "i", "em", "strong", "code", "span", "time", "small", "sub", "sup", "abbr"})
VOID = frozenset(
    {"br", "wbr", "img", "input", "link", "meta", "hr", "col", "source", "rect", "circle", "path", "use"}
)
RAW = frozenset({"script", "style", "pre"})
# What people entered, and what is a name for programs: printed as it is.
ENTERED = frozenset(
    {
        "name",
        "site",
        "area",
        "line",
        "place",
        "note",
        "why",
        "by",
        "remark",
        "lubricant",
        "designation",
        "chain_id",
        "drive_id",
        "drive_title",
        "work_order",
        "full_name",
        "closed_why",
        "closed_by",
        "removed_why",
        "struck_by",
        "added_by",
        "recorded_by",
        "acknowledged_by",
        "payload",
        "path",
        "drive_class",
        "stock_number",
        "currency",
        "version",
        "url",
        "query",
        "address",
        "text",
        "value",
        "typed",
        "id",
        "subject",
        "zone",
        "secret",
        "feed",
        "example",
        "svg",
        "picture",
        "drawn",
        "strip",
        "new_key",
        "form_token_field",
        "rfc3339",
        "when",
        "signed_in",
        "chain",
        "topic",
    }
)
KEPT_FILTERS = frozenset({"safe", "urlencode", "tojson", "e", "escape"})
INNER_FILTERS = frozenset({"prose", "upper", "indent", "trim", "join"})
UNITS = frozenset(
    {
        "mm",
        "m/s",
        "N",
        "kN",
        "°C",
        "µs",
        "ms",
        "s",
        "h",
        "d",
        "min",
        "Hz",
        "kB",
        "U",
        "u",
        "k",
        "t",
        "x",
        "e0",
        "N0",
        "up",
        "down",
    }
)

_DATA_TOKEN = re.compile(r"<!--.*?-->|</?[A-Za-z!][\w-]*|[^<]+|<", re.DOTALL)
_IN_TAG = re.compile(r"""\s+|/?>|([^\s=>/"']+)(=["'])?|["'=/]""")
_MARK = re.compile(r"(\{\w+\}|</?\w+>)")
_LETTER = re.compile(r"[^\W\d_]")
_ENTITY = re.compile(r"&#?\w+;")
_ADDRESS = re.compile(r"/\w|[?&#]\S*$")


def has_words(text: str) -> bool:
    """Return whether there is something in a text to be said in another language."""
    bare = _ENTITY.sub(" ", _MARK.sub(" ", text)).strip(" .,:;()/|·…–%±=×▲✕┄│*\n")
    return bool(_LETTER.search(bare)) and bare not in UNITS and not _ADDRESS.match(text.strip())


def reads_like_words(text: str) -> bool:
    """Return whether a string in an expression is for people: a capital first, or words with blanks."""
    bare = text.strip()
    return has_words(bare) and (bare[:1].isupper() or (" " in bare and bare[:1] not in "<.#/"))


@dataclass(frozen=True, slots=True)
class _Text:
    text: str


@dataclass(frozen=True, slots=True)
class _Printed:
    node: nodes.Expr


@dataclass(frozen=True, slots=True)
class _Tag:
    """A tag: what it is made of, ready to be printed. whole: from < to > without a block in between."""

    name: str
    made_of: tuple[nodes.Expr, ...]
    closes: bool = False
    whole: bool = True
    classed: bool = False


_Atom = _Text | _Printed | _Tag


@dataclass(slots=True)
class _Place:
    """Where in the HTML the reading stands. attribute: the one within whose value; quote: that ends it."""

    tag: str = ""
    closes: bool = False
    classed: bool = False
    attribute: str = ""
    quote: str = ""
    raw: str = ""
    inside: bool = False  # between < and >


@dataclass(slots=True)
class Translator:
    """Goes through the tree of a template. `find` gives the other text for an English one; it sees every one of them.

    What it puts in needs `_` (which is `told`) among the globals, and the filters `format_local`, `first_up` and `told_picture`.
    """

    find: Callable[[str], str]

    def template(self, tree: nodes.Template) -> nodes.Template:
        """Put the other language into the tree of a template."""
        tree.body = self._body(tree.body, _Place())
        return tree

    # The tree

    def _body(self, body: Sequence[nodes.Node], place: _Place) -> list[nodes.Node]:
        return [self._node(each, place) for each in body]

    def _node(self, node: nodes.Node, place: _Place) -> nodes.Node:
        match node:
            case nodes.Output():
                node.nodes = self._output(node.nodes, place)
            case nodes.If():
                self._test(node, place)
            case nodes.For():
                node.iter = self._kept(cast("nodes.Expr", node.iter))
                begin = replace(place)
                node.body = self._body(node.body, place)
                node.else_ = self._body(node.else_, begin)
            case nodes.Macro() | nodes.CallBlock():
                node.defaults = [self._kept(each) for each in node.defaults]
                node.body = self._body(node.body, _Place())
            case nodes.Block() | nodes.With() | nodes.Scope() | nodes.FilterBlock() | nodes.AssignBlock():
                node.body = self._body(node.body, place)
            case nodes.Assign():
                node.node = self._kept(cast("nodes.Expr", node.node))
            case _:
                pass
        return node

    def _test(self, node: nodes.If, place: _Place) -> None:
        begin = replace(place)
        node.body = self._body(node.body, place)
        for each in node.elif_:
            each.body = self._body(each.body, replace(begin))
        node.else_ = self._body(node.else_, replace(begin))

    # Printing

    def _output(self, printed: Sequence[nodes.Expr], place: _Place) -> list[nodes.Expr]:
        made: list[nodes.Expr] = []
        run: list[_Atom] = []
        for atom in self._atoms(printed, place):
            if isinstance(atom, _Tag) and not (
                atom.whole and atom.name in INLINE and not (atom.classed and atom.name in ("span", "i"))
            ):
                made += [*self._run(run), *atom.made_of]
                run = []
            else:
                run.append(atom)
        return made + self._run(run)

    def _atoms(self, printed: Sequence[nodes.Expr], place: _Place) -> Iterator[_Atom]:  # noqa: C901, PLR0912
        """Cut what is printed into texts, values and tags. Values in tags are part of the tag."""
        tag: list[nodes.Expr] = []
        human: list[_Atom] = []
        whole = False
        for node in printed:
            if not isinstance(node, nodes.TemplateData):
                if place.raw:
                    yield _Tag(place.raw, (node,), whole=False)
                elif not place.inside:
                    yield _Printed(node)
                elif place.attribute in HUMAN:
                    human.append(_Printed(node))
                else:
                    tag.append(node)
                continue
            for piece, kind in _pieces(node.data, place):
                if kind == "text":
                    yield _Text(piece)
                elif kind == "human":
                    human.append(_Text(piece))
                elif kind == "raw":
                    yield _Tag(place.raw or "script", (nodes.TemplateData(piece),), whole=False)
                else:
                    tag += self._run(human)
                    human = []
                    whole = whole or kind == "opens"
                    tag.append(nodes.TemplateData(piece))
                    if kind == "ends":
                        yield _Tag(place.tag, tuple(tag), place.closes, whole, place.classed)
                        tag, whole = [], False
        tag += self._run(human)
        if tag:
            yield _Tag(place.tag, tuple(tag), place.closes, whole=False, classed=place.classed)

    def _run(self, run: Sequence[_Atom]) -> list[nodes.Expr]:
        """Return a run of text in the other language."""
        partners = _partners(run)
        lonely = [
            n
            for n, each in enumerate(run)
            if isinstance(each, _Tag) and n not in partners and n not in partners.values()
        ]
        if lonely:
            n = lonely[0]
            tag = run[n]
            assert isinstance(tag, _Tag)  # noqa: S101
            return [*self._run(run[:n]), *tag.made_of, *self._run(run[n + 1 :])]
        return self._whole(run, partners)

    def _whole(self, run: Sequence[_Atom], partners: dict[int, int]) -> list[nodes.Expr]:
        if _has_own_words(run, partners):
            return self._message(run, partners)
        made: list[nodes.Expr] = []
        n = 0
        while n < len(run):
            atom = run[n]
            if isinstance(atom, _Tag):
                end = partners[n]
                closing = run[end]
                assert isinstance(closing, _Tag)  # noqa: S101
                made += [*atom.made_of, *self._run(run[n + 1 : end]), *closing.made_of]
                n = end
            elif isinstance(atom, _Text):
                made.append(nodes.TemplateData(atom.text))
            else:
                made.append(self._said(atom.node))
            n += 1
        return made

    def _message(self, run: Sequence[_Atom], partners: dict[int, int]) -> list[nodes.Expr]:
        """Return the nodes of one text, in the order of the other language."""
        marks: dict[str, list[nodes.Expr]] = {}
        opened: dict[int, str] = {}
        english = ""
        for n, atom in enumerate(run):
            if isinstance(atom, _Text):
                english += atom.text
                continue
            if isinstance(atom, _Printed):
                mark = "{" + _unused(_name_of(atom.node), "{%s}", marks) + "}"
                marks[mark] = [self._said(atom.node)]
            elif n in partners:
                opened[partners[n]] = name = _unused(atom.name, "<%s>", marks)
                mark = f"<{name}>"
                marks[mark] = list(atom.made_of)
            else:
                mark = f"</{opened[n]}>"
                marks[mark] = list(atom.made_of)
            english += mark
        before, bare, after = _stripped(english)
        other = self.find(" ".join(bare.split()))
        said = before + other + after
        made: list[nodes.Expr] = []
        for piece in _MARK.split(said):
            if piece in marks:
                made += marks[piece]
            elif piece:
                made.append(nodes.TemplateData(piece))
        return made

    # Expressions

    def _said(self, node: nodes.Expr) -> nodes.Expr:  # noqa: C901, PLR0911
        """Return what is printed, in the other language as far as it is ours."""
        match node:
            case nodes.Const(value=str() as text):
                return nodes.Const(self._looked_up(text)) if has_words(text) else node
            case nodes.CondExpr():
                node.expr1 = self._said(node.expr1)
                node.expr2 = None if node.expr2 is None else self._said(node.expr2)
                return node
            case nodes.Or() | nodes.And():
                node.left, node.right = self._said(node.left), self._said(node.right)
                return node
            case nodes.Concat():
                return self._joined(node)
            case nodes.Filter(name="format", node=nodes.Const(value=str() as text)):
                form = self._looked_up(text) if has_words(re.sub(r"%[-+.\d]*[a-z]", "", text)) else text
                return nodes.Filter(
                    nodes.Const(form), "format_local", node.args, node.kwargs, node.dyn_args, node.dyn_kwargs
                )
            case nodes.Filter(name="safe", node=nodes.Name() | nodes.Getattr() | nodes.Getitem()):
                return nodes.Filter(node, "told_picture", [], [], None, None)
            case nodes.Filter() if node.name in KEPT_FILTERS:
                return node
            case nodes.Filter(node=nodes.Expr() as inner) if node.name in INNER_FILTERS or (
                node.name == "replace" and _has_strings(inner)
            ):
                node.node = self._said(inner)
                return node
            case nodes.Filter(name="lower", node=nodes.Expr() as inner):
                return self._said(inner) if _has_strings(inner) else self._told(node)
            case nodes.Filter(name="capitalize", node=nodes.Expr() as inner):
                bare = self._said(inner) if _has_strings(inner) else self._told(inner)
                return nodes.Filter(bare, "first_up", [], [], None, None)
            case nodes.Call():
                return self._called(node)
            case _:
                return self._told(node) if _is_ours(node) else node

    def _called(self, node: nodes.Call) -> nodes.Expr:
        if isinstance(node.node, nodes.Name) and node.node.name == "_":
            return self._marked(node)
        node.args = [self._kept(each) for each in node.args]
        for each in node.kwargs:
            each.value = self._kept(each.value)
        return self._told(node) if _is_ours(node) else node

    def _marked(self, node: nodes.Call) -> nodes.Expr:
        """Return a text marked with _("..."), or what comes of an expression in it."""
        (inner,) = node.args
        if isinstance(inner, nodes.Const) and isinstance(inner.value, str):
            return nodes.Const(self._looked_up(inner.value))
        return self._told(inner)

    def _joined(self, node: nodes.Concat) -> nodes.Expr:
        """Return strings and values put together with ~: one text, like a run."""
        run: list[_Atom] = [
            _Text(each.value)
            if isinstance(each, nodes.Const) and isinstance(each.value, str)
            else _Printed(each)
            for each in _flat(node)
        ]
        if not _has_own_words(run, {}):
            return nodes.Concat([self._said(each) for each in _flat(node)])
        made = self._message(run, {})
        return nodes.Concat(
            [nodes.Const(each.data) if isinstance(each, nodes.TemplateData) else each for each in made]
        )

    def _told(self, node: nodes.Expr) -> nodes.Expr:
        return nodes.Call(nodes.Name("_", "load"), [node], [], None, None)

    def _looked_up(self, text: str) -> str:
        before, bare, after = _stripped(text)
        return before + self.find(" ".join(bare.split())) + after

    def _kept(self, node: nodes.Expr) -> nodes.Expr:  # noqa: C901, PLR0912
        """Return what is handed on or kept: its strings that read like words in the other language, the rest as it is."""
        match node:
            case nodes.Const(value=str() as text):
                return nodes.Const(self._looked_up(text)) if reads_like_words(text) else node
            case nodes.Concat() if any(_has_strings(each, _is_piece) for each in _flat(node)):
                return self._joined(node)
            case nodes.CondExpr():
                node.expr1 = self._kept(node.expr1)
                node.expr2 = None if node.expr2 is None else self._kept(node.expr2)
            case nodes.Or():
                node.right = self._kept(node.right)
                node.left = self._kept(node.left)
            case nodes.Tuple() | nodes.List():
                node.items = [self._kept(each) for each in node.items]
            case nodes.Dict():
                for pair in node.items:
                    pair.value = self._kept(pair.value)
            case nodes.Call(node=nodes.Name(name="_")):
                return self._marked(node)
            case nodes.Call():
                node.args = [self._kept(each) for each in node.args]
                for each in node.kwargs:
                    each.value = self._kept(each.value)
            case nodes.Getitem(node=nodes.Dict() as table):
                node.node = self._kept(table)
            case nodes.Filter(name="format", node=nodes.Const(value=str() as text)) if reads_like_words(text):
                return self._said(node)
            case _:
                pass
        return node


def _pieces(data: str, place: _Place) -> Iterator[tuple[str, str]]:  # noqa: C901, PLR0912
    """Cut data into pieces, each with its kind: text, human (in such an attribute), raw, opens, tag, ends (of a tag)."""
    at = 0
    while at < len(data):
        if place.raw:
            end = data.find(f"</{place.raw}", at)
            end = len(data) if end < 0 else end
            if end > at:
                yield data[at:end], "raw"
            if end < len(data):
                place.raw = ""
            at = end
            if at >= len(data):
                return
        if place.attribute:
            end = data.find(place.quote, at)
            stop = len(data) if end < 0 else end
            if stop > at:
                yield data[at:stop], "human" if place.attribute in HUMAN else "tag"
            if end >= 0:
                yield data[end], "tag"
                place.attribute = place.quote = ""
                stop += 1
            at = stop
        elif place.inside:
            token = _IN_TAG.match(data, at)
            assert token is not None  # noqa: S101
            at = token.end()
            if token[0].endswith(">"):
                place.inside = False
                if place.tag in RAW and not place.closes:
                    place.raw = place.tag
                yield token[0], "ends"
                continue
            if token[2]:
                place.attribute, place.quote = token[1].lower(), token[2][-1]
                place.classed = place.classed or token[1] in ("class", "data-f")
            yield token[0], "tag"
        else:
            token = _DATA_TOKEN.match(data, at)
            assert token is not None  # noqa: S101
            at = token.end()
            text = token[0]
            if text.startswith("<!--"):
                yield text, "raw"
            elif text[0] == "<" and len(text) > 1:
                place.inside, place.closes, place.classed = True, text[1] == "/", False
                place.tag = text.lstrip("</").lower()
                yield text, "opens"
            else:
                yield text, "text"


def _partners(run: Sequence[_Atom]) -> dict[int, int]:
    """Return which tag is closed by which, by their places in the run."""
    found: dict[int, int] = {}
    stack: list[int] = []
    for n, atom in enumerate(run):
        if not isinstance(atom, _Tag):
            continue
        if not atom.closes:
            stack.append(n)
        elif stack and _tag_name(run[stack[-1]]) == atom.name:
            found[stack.pop()] = n
    return found


def _tag_name(atom: _Atom) -> str:
    return atom.name if isinstance(atom, _Tag) else ""


def _has_own_words(run: Sequence[_Atom], partners: dict[int, int]) -> bool:
    """Return whether there are words outside the elements within a run, or in strings put together there."""
    depth = 0
    said = ""
    for n, atom in enumerate(run):
        if n in partners:
            depth += 1
        elif isinstance(atom, _Tag):
            depth -= 1
        elif isinstance(atom, _Text) and not depth:
            said += atom.text + " "
    return has_words(said)


def _stripped(text: str) -> tuple[str, str, str]:
    """Return the white space before a text, the text, and what is behind it."""
    bare = text.strip()
    begin = text.find(bare) if bare else len(text)
    return text[:begin], bare, text[begin + len(bare) :]


def _unused(name: str, form: str, marks: dict[str, list[nodes.Expr]]) -> str:
    n, tried = 1, name
    while form % tried in marks:
        n += 1
        tried = f"{name}{n}"
    return tried


def _flat(node: nodes.Expr) -> Iterator[nodes.Expr]:
    if isinstance(node, nodes.Concat):
        for each in node.nodes:
            yield from _flat(each)
    else:
        yield node


def _has_strings(node: nodes.Expr, which: Callable[[str], bool] = has_words) -> bool:
    return any(isinstance(each.value, str) and which(each.value) for each in _consts(node))


def _is_piece(text: str) -> bool:
    """Return whether a string that is put together with others is a piece of a sentence."""
    return has_words(text) and (text[:1].isupper() or " " in text)


def _consts(node: nodes.Expr) -> Iterator[nodes.Const]:
    match node:
        case nodes.Const():
            yield node
        case nodes.Filter(name="format", node=nodes.Const() as form):
            yield form
        case nodes.CondExpr():
            yield from _consts(node.expr1)
            if node.expr2 is not None:
                yield from _consts(node.expr2)
        case nodes.Concat():
            for each in node.nodes:
                yield from _consts(each)
        case nodes.Or() | nodes.And():
            yield from _consts(node.left)
            yield from _consts(node.right)
        case _:
            return


def _name_of(node: nodes.Expr) -> str:  # noqa: C901, PLR0911, PLR0912
    """Return a name for what is printed, for who translates."""
    match node:
        case nodes.Name():
            return node.name
        case nodes.Getattr():
            return node.attr
        case nodes.Getitem(arg=nodes.Const(value=str() as key)) if key.isidentifier():
            return key
        case nodes.Getitem():
            return _name_of(node.node)
        case nodes.Call(node=nodes.Name(name="_"), args=[inner]):
            return _name_of(inner)
        case nodes.Call(node=nodes.Getattr(attr="get"), args=[nodes.Const(value=str() as key), *_]) if (
            key.isidentifier()
        ):
            return key
        case nodes.Call():
            return _name_of(node.node)
        case nodes.Filter(name="format", args=[first, *_]):
            return _name_of(first)
        case nodes.Filter(name="length", node=nodes.Expr() as inner):
            return f"{_name_of(inner)}_count"
        case nodes.Filter(node=nodes.Expr() as inner):
            return _name_of(inner)
        case nodes.CondExpr():
            return _first_name(node.expr1, node.expr2)
        case nodes.Or() | nodes.And() | nodes.Mul() | nodes.Div() | nodes.Add() | nodes.Sub():
            return _first_name(node.left, node.right)
        case nodes.Concat():
            return _first_name(*node.nodes)
        case _:
            return "x"


def _first_name(*found: nodes.Expr | None) -> str:
    return next((name for each in found if each is not None and (name := _name_of(each)) != "x"), "x")


def _is_ours(node: nodes.Expr) -> bool:  # noqa: PLR0911
    """Return whether what is printed may be a text of ours: not what people entered, not a number as it stands."""
    match node:
        case nodes.Name():
            return node.name not in ENTERED
        case nodes.Getattr(node=nodes.Name(name="state"), attr="title"):
            return False  # of the drive
        case nodes.Getattr():
            return node.attr not in ENTERED
        case nodes.Getitem(node=nodes.Name(name=name)):
            return name not in ENTERED
        case nodes.Getitem():
            return _is_ours(node.node)
        case nodes.Call():
            if isinstance(node.node, nodes.Getattr) and node.node.attr == "get":
                return _is_ours(node.node.node)
            return _is_ours(node.node)
        case nodes.Filter(node=nodes.Expr() as inner):
            return node.name not in ("length", "round", "int") and _is_ours(inner)
        case _:
            return False


def texts_of(environment: Environment, source: str) -> list[str]:
    """Return all texts of a template, in order."""
    found: list[str] = []

    def note(text: str) -> str:
        found.append(text)
        return text

    Translator(note).template(environment.parse(source))
    return found

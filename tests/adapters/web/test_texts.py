"""The texts of pages in other languages: catalogues are complete and fit, and pages speak the language of who reads them."""

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.adapters.web import texts
from service.adapters.web.templating import PageEnvironment, _environment
from service.adapters.web.texts import ENGLISH, TOLD, Catalogue, chosen, figures, languages, say, speak, told
from tests.adapters.web.plant import Plant, a_plant
from tests.adapters.web.texts_in_use import in_use, of_catalogue
from tests.contracts.given import FAKE


@pytest.fixture
def plant() -> Iterator[Plant]:
    with a_plant(FAKE) as made:
        yield made


OTHERS = sorted(languages().keys() - {ENGLISH})
MARKS = re.compile(r"\{\w+\}|</?\w+>|\[[a-zA-Z]\w*\]|%[-+.\d]*[a-z]|%%")
GERMAN = {"Accept-Language": "de-DE,de;q=0.9,en;q=0.5", "Accept": "text/html"}


# Catalogues


@pytest.mark.parametrize("language", OTHERS)
def test_a_catalogue_has_every_text_of_the_pages_and_none_too_many(language: str) -> None:
    used, had = in_use(), of_catalogue(language)
    lacking = sorted(f"{used[key]}: {key[1]}" for key in used.keys() - had.keys())
    too_many = sorted(key[1] for key in had.keys() - used.keys())
    assert (lacking, too_many) == ([], []), "python -m tests.adapters.web.texts_in_use lists them"


@pytest.mark.parametrize("language", OTHERS)
def test_what_goes_into_a_text_goes_into_its_translation(language: str) -> None:
    for (_, english), other in of_catalogue(language).items():
        assert other.strip(), english
        assert Counter(MARKS.findall(other)) == Counter(MARKS.findall(english)), english


def test_german_speaks_to_people_as_sie() -> None:
    assert [
        other for other in of_catalogue("de").values() if re.search(r"\b([Dd]u|[Dd]ein\w*|[Dd]ich)\b", other)
    ] == []


# Which language


@given(
    cookie=st.text(max_size=12), accepted=st.text(max_size=80), default=st.sampled_from(["en", "de", "xx"])
)
def test_a_known_language_is_chosen_whatever_is_asked(cookie: str, accepted: str, default: str) -> None:
    assert chosen(cookie, accepted, default) in languages()


@pytest.mark.parametrize(
    ("cookie", "accepted", "default", "expected"),
    [
        ("", "", "en", "en"),
        ("", "", "de", "de"),
        ("", "de-AT,de;q=0.9,en;q=0.8", "en", "de"),
        ("", "fr,en;q=0.5,de;q=0.7", "en", "de"),
        ("", "fr-FR,fr;q=0.9", "de", "de"),
        ("", "en-GB", "de", "en"),
        ("", "de;q=0,en;q=0.1", "de", "en"),
        ("", "de;q=often", "en", "en"),
        ("en", "de", "de", "en"),
        ("de", "en", "en", "de"),
        ("klingon", "de", "en", "de"),
    ],
)
def test_choice_goes_before_browser_and_browser_before_setting(
    cookie: str, accepted: str, default: str, expected: str
) -> None:
    assert chosen(cookie, accepted, default) == expected


def test_a_page_is_in_the_language_of_the_browser_and_says_so(plant: Plant) -> None:
    page = plant.client.get("/", headers=GERMAN)
    assert page.headers["content-language"] == "de"
    assert "Accept-Language" in page.headers["vary"]
    assert '<html lang="de">' in page.text
    assert "<h1>Übersicht</h1>" in page.text
    assert "gegen Wiedereinschalten sichern" in page.text


@pytest.mark.parametrize(
    ("back", "to"),
    [
        ("/sign-in?next=%2Falerts%3Fstate%3Dshelved", "/sign-in?next=%2Falerts%3Fstate%3Dshelved"),
        ("/sign-in?next=https%3A%2F%2Felsewhere.example", "/sign-in?next=%2F"),
        ("/sign-in?next=%2F%2Felsewhere.example", "/sign-in?next=%2F"),
        ("/sign-in?%0d%0aSet-Cookie:x", "/sign-in?next=%2F"),
    ],
)
def test_a_language_chosen_before_signing_in_keeps_where_one_was_going(
    plant: Plant, back: str, to: str
) -> None:
    answer = plant.client.get("/language", params={"to": "de", "back": back}, follow_redirects=False)
    assert answer.headers["location"] == to


def test_the_language_chosen_on_a_page_is_kept_and_leads_back_to_it(plant: Plant) -> None:
    answer = plant.client.get("/language?to=de&back=/plan%3Fpitch_mm%3D25.4", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/plan?pitch_mm=25.4")
    assert re.match(
        r"linklag_language=de; HttpOnly; Max-Age=\d+; Path=/; SameSite=lax", answer.headers["set-cookie"]
    )
    page = plant.client.get("/plan", headers={"Accept-Language": "en"})
    plant.client.cookies.clear()
    assert '<html lang="de">' in page.text


@pytest.mark.parametrize(
    "back", ["https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example"]
)
def test_choosing_a_language_never_leads_elsewhere(plant: Plant, back: str) -> None:
    answer = plant.client.get("/language", params={"to": "xx", "back": back}, follow_redirects=False)
    assert answer.headers["location"] == "/"
    assert "set-cookie" not in answer.headers


def test_a_problem_is_told_in_the_language_of_the_page(plant: Plant) -> None:
    page = plant.client.get("/no-such-page", headers=GERMAN)
    assert page.status_code == 404
    assert "<h1>Nicht gefunden</h1>" in page.text


def test_programs_are_spoken_to_in_english(plant: Plant) -> None:
    answer = plant.client.get("/api/v1/drives/nothing", headers={"Accept-Language": "de"})
    assert "is not registered" in answer.json()["detail"]
    assert "content-language" not in answer.headers


# Templates


def german_of(source: str, **values: object) -> str:
    environment = PageEnvironment(autoescape=True)
    environment.filters.update(_environment("de").filters)
    environment.globals.update(_environment("de").globals)
    environment.catalogue = CATALOGUE
    with speak("de"):
        return environment.from_string(source).render(**values)


CATALOGUE = Catalogue(
    language="de",
    name="Deutsch",
    decimal=",",
    group=".",
    months=(),
    day="{day}. {month}",
    written={
        "On it: <b>{chain_id}</b>, since {day}.": "Seit {day}: <b>{chain_id}</b>.",
        "Drive": "Antrieb",
        "none": "keine",
        "Strike {name}": "{name} streichen",
        "%.1f mm left": "noch %.1f mm",
        "<a>First</a> and <a2>second</a2> way": "<a2>Zweiter</a2> und <a>erster</a> Weg",
    },
    scripts={},
    streamed={},
    told={},
)


def test_values_and_elements_may_stand_in_another_order() -> None:
    source = '<p>On it: <b class="x">{{ c.chain_id }}</b>,\n since {{ day }}.</p>'
    assert (
        german_of(source, c={"chain_id": "k<1>"}, day="heute")
        == '<p>Seit heute: <b class="x">k&lt;1&gt;</b>.</p>'
    )


def test_elements_of_one_name_are_told_apart() -> None:
    source = '<p><a href="/1">First</a> and <a href="/{{ n }}">second</a> way</p>'
    assert german_of(source, n=2) == '<p><a href="/2">Zweiter</a> und <a href="/1">erster</a> Weg</p>'


def test_attributes_that_people_hear_are_texts_and_others_are_not() -> None:
    source = '<td data-label="Drive" class="Drive"><input value="Drive" aria-label="Strike {{ name }}"></td>'
    german = german_of(source, name="Drive")
    assert (
        german
        == '<td data-label="Antrieb" class="Drive"><input value="Drive" aria-label="Drive streichen"></td>'
    )


def test_strings_in_expressions_are_texts_where_they_are_printed_only() -> None:
    source = "<i{{ ' none' if x }}>{{ x or 'none' }}{{ 'Drive' if x == 'none' else '' }}</i>"
    assert german_of(source, x="") == "<i>keine</i>"
    assert german_of(source, x="7 m") == "<i none>7 m</i>"


def test_numbers_in_a_format_are_written_as_in_the_language() -> None:
    assert german_of("{{ '%.1f mm left'|format(x) }} {{ '%.2f'|format(x) }}", x=1.25) == "noch 1,2 mm 1,25"
    assert german_of("<rect x=\"{{ '%.2f'|format(x) }}\"/>", x=1.25) == '<rect x="1.25"/>'


def test_scripts_styles_and_comments_are_left_alone() -> None:
    source = '<script type="application/json">{"Drive": "{{ x }}"}</script><!-- Drive --><p>Drive</p>'
    assert german_of(source, x="7 m") == source.replace("{{ x }}", "7 m").replace("<p>Drive", "<p>Antrieb")


PAGES = (
    "/",
    "/alerts",
    "/changes",
    "/handover",
    "/plan",
    "/settings",
    "/stops",
    "/supply",
    "/work",
    "/routes",
    "/setpoints",
)


@pytest.fixture
def _english_as_german(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A catalogue of German that has nothing, and writes figures as English does."""
    empty = replace(texts.catalogue(ENGLISH), language="de")
    monkeypatch.setattr(texts, "catalogue", lambda _: empty)
    _environment.cache_clear()
    texts._told.cache_clear()
    yield
    _environment.cache_clear()
    texts._told.cache_clear()


@pytest.mark.usefixtures("_english_as_german")
def test_an_empty_catalogue_changes_nothing_of_a_page_but_white_space(plant: Plant) -> None:
    for path in PAGES:
        english, german = (bare(plant, path, language) for language in ("en", "de"))
        assert german == english, path


def bare(plant: Plant, path: str, language: str) -> str:
    page = plant.client.get(path, headers={"Accept": "text/html", "Accept-Language": language}).text
    page = re.sub(
        r'<nav class="languages".*?</nav>|<script type="application/json" id="texts">.*?</script>|name="key" value="[^"]*"',
        "",
        page,
        flags=re.DOTALL,
    )
    return "".join(page.replace(f'<html lang="{language}">', "").split())


# What comes from elsewhere


def test_a_sentence_with_values_is_found_again_with_german_figures() -> None:
    with speak("de"):
        assert told("The chance of having reached the limit is 12 % already, more than the risk taken") == (
            "Die Wahrscheinlichkeit, die Verschleißgrenze erreicht zu haben, ist schon 12 %, mehr als in Kauf genommen"
        )
        assert told("1.234 %") == "1,234 %"
        assert told("25 Nov 2026, 09:15") == "25. Nov. 2026, 09:15"


@given(st.text(max_size=60))
def test_what_is_not_known_stays_as_it_is_in_english(text: str) -> None:
    assert told(text) == text
    assert figures(text) == text
    assert say(text) == text


@settings(deadline=None)  # the catalogue is read at the first
@given(st.from_regex(r"[xyz]{3,8}( [xyz]{2,8}){0,5}", fullmatch=True))
def test_what_is_not_known_stays_as_it_is_in_german(text: str) -> None:
    with speak("de"):
        assert told(text) == text


@pytest.mark.parametrize(
    ("english", "german"),
    [
        (
            "The gaps differ: a joint keeps `up` on for 0.50 pitches, `down` for 0.31 pitches.",
            "Die Abstände sind verschieden: ein Gelenk hält `up` über 0,50 Teilungen eingeschaltet, `down` über 0,31 Teilungen.",
        ),
        (
            "`down` switches -0.2 µs after `up` (u 1.7 µs), at 1.00 and 1.50 m/s. Nothing needs to be taken off.",
            "`down` schaltet -0,2 µs nach `up` (u 1,7 µs), bei 1,00 und 1,50 m/s. Abzuziehen ist nichts.",
        ),
        (
            "First: The clock is one, and steady; The spacing is as registered.",
            "Zuerst: Die Uhr ist eine, und stetig; Der Sensorabstand ist wie eingetragen.",
        ),
        (
            (
                "13 windows in order; the lag drifts by 0.02 ppm. Without span_ticks a drive that stands still is not told from a "
                "lost window."
            ),
            (
                "13 Zeitfenster in Ordnung; der Versatz driftet um 0,02 ppm. Ohne span_ticks lässt sich ein stehender Antrieb nicht "
                "von einem verlorenen Zeitfenster unterscheiden."
            ),
        ),
        (
            (
                "Enter n = 24 and d = 0.310 if the chain is the one that is registered. Or is it a chain of 12.7 mm pitch? That would "
                "fit the spacing in mm. Where the sensors were measured with care, see whether one was moved."
            ),
            (
                "Tragen Sie n = 24 und d = 0,310 ein, wenn die Kette die eingetragene ist. Oder ist es eine Kette mit 12,7 mm Teilung? "
                "Das passte zum Sensorabstand in mm. Wo die Sensoren sorgfältig eingemessen wurden, sehen Sie, ob einer verrückt ist."
            ),
        ),
    ],
)
def test_what_the_steps_of_setting_up_say_is_german_from_end_to_end(english: str, german: str) -> None:
    """Sentences with gaps, put together: a part that stayed English would stand in the midst of one."""
    with speak("de"):
        assert told(english) == german


@pytest.mark.parametrize("piece", [". ", "a. ", ": ", ", ", " and ", "one (two) to three; "])
def test_a_long_text_that_people_typed_is_soon_left_as_it_is(piece: str) -> None:
    typed = piece * (2000 // len(piece)) + "zz"
    with speak("de"):
        assert told(typed) == typed


@pytest.mark.parametrize("language", OTHERS)
def test_no_text_has_more_sentences_than_are_looked_for_together(language: str) -> None:
    had = (english for context, english in of_catalogue(language) if context == TOLD)
    assert max(len(texts._SENTENCE_END.split(each)) for each in had) <= texts.TOGETHER_MAX


@given(st.data())
def test_a_sentence_with_gaps_is_found_wherever_its_pattern_alone_finds_it(data: st.DataObject) -> None:
    patterns = [each for of_word in texts.catalogue("de").patterns.values() for each in of_word]
    one = data.draw(st.sampled_from(patterns))
    pieces = data.draw(st.permutations(one.pieces) | st.just(list(one.pieces)))
    gap = st.sampled_from(["", "3.5 mm", "Stop it. Then", "a (b)", one.pieces[-1]])
    text = "".join(piece + data.draw(gap) for piece in pieces[:-1]) + pieces[-1]
    alone, found = one.english.fullmatch(text), one.found_in(text)
    assert (found and found.groups()) == (alone and alone.groups())


def test_names_and_versions_are_no_decimals() -> None:
    with speak("de"):
        assert (
            figures("16B-1 at 0.125 %, see 10.4.2 and 127.0.0.1:8390")
            == "16B-1 at 0,125 %, see 10.4.2 and 127.0.0.1:8390"
        )


def test_texts_from_elsewhere_have_their_own_context() -> None:
    assert {key[0] for key in of_catalogue("de")} <= {None, TOLD, "script"}

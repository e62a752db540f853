"""What is found wrong with a chain: on maps made by hand, and on simulated drives."""

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensors_sim.chain import WornSection
from service.core.chain_faults import LINK_MIN_PCT, Fault, Finding, faults_of
from service.core.link_map import LinkMap
from tests.bench.chain_map import Follower, Setting, cases, drawn, right

PITCHES = 100
PITCH_MM = 12.7


def links(seed: int = 1, *, worn_pct: float = 1.5, spread_pct: float = 0.15) -> LinkMap:
    """A sound chain: outer links (odd) worn, inner ones not, each a little different."""
    rng = np.random.default_rng(seed)
    elongation = rng.normal(0.05, spread_pct, PITCHES)
    elongation[1::2] += 2 * worn_pct
    return LinkMap(
        elongation_pct=elongation,
        u_pct=np.full(PITCHES, 0.05),
        sign=np.where(np.arange(PITCHES) % 2, 1.0, -1.0),
        displaced_pct=np.zeros(PITCHES),
        displaced_u_pct=0.05,
        harmonics=np.full(PITCHES // 2 + 1, PITCHES * (0.0005 / 1.4) ** 2),
        mean_pct=float(elongation.mean()),
        laps=20.0,
        confidence=1.0,
    )


def longer(sound: LinkMap, which: list[int], by_pct: float) -> LinkMap:
    elongation = sound.elongation_pct.copy()
    elongation[which] += by_pct
    return replace(sound, elongation_pct=elongation)


def turned(chain: LinkMap, links_on: int) -> LinkMap:
    """The same chain with joint 0 so many links further back."""
    return replace(
        chain,
        elongation_pct=np.roll(chain.elongation_pct, links_on),
        sign=np.roll(chain.sign, links_on),
        displaced_pct=np.roll(chain.displaced_pct, links_on),
    )


# --- made by hand -------------------------------------------------------------------------------------


@given(seed=st.integers(0, 10_000))
def test_nothing_is_found_on_links_that_only_differ(seed: int) -> None:
    assert faults_of(links(seed), PITCH_MM) == []


@given(
    link=st.integers(0, PITCHES - 1),
    by_mm=st.floats(0.4, 2.0),
    fault=st.sampled_from((Fault.LONG_LINK, Fault.SHORT_LINK)),
)
@settings(deadline=None)
def test_one_link_is_found_wherever_it_is(link: int, by_mm: float, fault: Fault) -> None:
    size_mm = by_mm if fault is Fault.LONG_LINK else -by_mm
    (finding,) = faults_of(longer(links(), [link], 100 * size_mm / PITCH_MM), PITCH_MM)
    assert finding.fault is fault
    assert (finding.first_link, finding.links) == (link, 1)
    assert finding.excess_mm == pytest.approx(size_mm, abs=0.06)
    assert f"Link {link} " in finding.words
    assert f"{abs(finding.excess_mm):.2f} mm" in finding.words


@given(
    start=st.integers(0, PITCHES - 1),
    pairs=st.integers(5, 20),
    by_pct=st.floats(1.0, 3.0),
    fault=st.sampled_from((Fault.WORN_SECTION, Fault.NEW_SECTION)),
)
@settings(deadline=None)
def test_a_section_is_found_wherever_it_is_round_the_end_of_the_loop_too(
    start: int, pairs: int, by_pct: float, fault: Fault
) -> None:
    """Outer links 2 by_pct longer (or shorter): by_pct for the section."""
    inside = (start + np.arange(2 * pairs)) % PITCHES
    outer = [int(link) for link in inside if link % 2]
    chain = longer(links(worn_pct=3.5), outer, 2 * by_pct if fault is Fault.WORN_SECTION else -2 * by_pct)
    (finding,) = faults_of(chain, PITCH_MM)
    assert finding.fault is fault
    off = (finding.first_link - start + PITCHES // 2) % PITCHES - PITCHES // 2
    assert abs(off) <= 2
    assert abs(finding.links - 2 * pairs) <= 3
    assert abs(finding.excess_mm) == pytest.approx(by_pct / 100 * PITCH_MM * 2 * pairs, rel=0.15)


def section_and_bad_link(start: int, links_on: int, seed: int) -> tuple[list[Finding], int]:
    """What is found where most of the like round the end of a section are long, and the link that is bad."""
    start |= 1  # an outer link
    outer = (start + np.arange(0, 20, 2)) % PITCHES
    chain = longer(links(seed), outer.tolist(), 5.0)
    chain = longer(chain, [int(outer[-1])], -2.5)  # worn by half, as the last link of a section is
    bad = int((outer[-1] + 2 * links_on) % PITCHES)
    return faults_of(longer(chain, [bad], 5.0), PITCH_MM), bad


def test_the_end_of_a_section_with_a_long_link_behind_it_is_hardly_ever_a_short_link() -> None:
    """The end is like the other side. Noise makes it a short link about once in a thousand times."""
    cases = [
        (start, on, seed) for seed in range(0, 12, 2) for start in range(1, PITCHES, 7) for on in range(2, 9)
    ]
    short = 0
    for case in cases:
        found, bad = section_and_bad_link(*case)
        faults = {finding.fault for finding in found}
        short += Fault.SHORT_LINK in faults
        assert faults <= {Fault.WORN_SECTION, Fault.LONG_LINK, Fault.SHORT_LINK}
        assert Fault.WORN_SECTION in faults
        assert {finding.first_link for finding in found if finding.fault is Fault.LONG_LINK} <= {bad}
    assert short <= 0.005 * len(cases)


@given(u_pct=st.floats(1e-6, 0.1))
def test_no_size_is_said_to_be_known_to_nought(u_pct: float) -> None:
    chain = replace(longer(links(), [50], 5.0), u_pct=np.full(PITCHES, u_pct))
    (finding,) = faults_of(chain, PITCH_MM)
    (told,) = re.findall(r"U = ([\d.]+) mm", finding.words)
    assert 0.0099 < float(told) <= 2 * finding.u_mm + 0.01
    assert float(told) >= 2 * finding.u_mm - 1e-9


def test_a_section_as_long_as_new_chain_is_said_to_be_spliced_in() -> None:
    new = longer(links(worn_pct=1.5), list(range(41, 70, 2)), -3.0)
    (finding,) = faults_of(new, PITCH_MM)
    assert "spliced in later" in finding.words
    (short,) = faults_of(longer(links(worn_pct=1.5), list(range(41, 70, 2)), -3.6), PITCH_MM)
    assert re.search(r"elongation \N{MINUS SIGN}0\.\d\d % there", short.words)
    (less,) = faults_of(longer(links(worn_pct=1.5), list(range(41, 70, 2)), -1.6), PITCH_MM)
    assert "spliced" not in less.words


def test_a_joint_out_of_its_place_is_no_long_link() -> None:
    for size_pct, word in ((4.0, "behind"), (-4.0, "ahead of")):
        moved = longer(longer(links(), [29], size_pct), [30], -size_pct)
        (finding,) = faults_of(moved, PITCH_MM)
        assert finding.fault is Fault.JOINT_OUT_OF_PLACE
        assert (finding.first_link, finding.links) == (29, 2)
        assert finding.excess_mm == pytest.approx(size_pct / 100 * PITCH_MM, abs=0.05)
        assert f"Joint 30 lies {abs(finding.excess_mm):.2f} mm" in finding.words
        assert word in finding.words


def test_a_joint_that_straightens_on_its_way_is_stiff() -> None:
    """4 % late at `up`, 1 % at `down`: the links show the mean, 2.5 %, and the difference is 3 %."""
    moved = longer(longer(links(spread_pct=0.05), [99], 2.5), [0], -2.5)
    displaced = np.zeros(PITCHES)
    displaced[0] = 3.0
    (finding,) = faults_of(replace(moved, displaced_pct=displaced), PITCH_MM)
    assert finding.fault is Fault.STIFF_JOINT
    assert (finding.first_link, finding.links) == (99, 2)
    assert finding.excess_mm == pytest.approx(0.04 * PITCH_MM, abs=0.02)
    assert "second 0.1" in finding.words


def test_links_of_a_fast_wearing_section_may_differ_more() -> None:
    chain = longer(links(), list(range(31, 60, 2)), 6.0)
    some = chain.elongation_pct.copy()
    some[31:60:2] += np.random.default_rng(3).normal(0, 0.45, 15)
    assert [finding.fault for finding in faults_of(replace(chain, elongation_pct=some), PITCH_MM)] == [
        Fault.WORN_SECTION
    ]


def test_what_the_map_does_not_know_well_is_not_named() -> None:
    chain = longer(links(), [50], 2.0)
    assert len(faults_of(chain, PITCH_MM)) == 1
    assert faults_of(replace(chain, u_pct=np.full(PITCHES, 0.4)), PITCH_MM) == []


def test_what_no_fitter_would_care_for_is_not_named() -> None:
    fine = links(spread_pct=0.01)
    assert faults_of(longer(fine, [50], 0.8 * LINK_MIN_PCT), PITCH_MM) == []
    assert len(faults_of(longer(fine, [50], 1.2 * LINK_MIN_PCT), PITCH_MM)) == 1


@given(links_on=st.integers(1, PITCHES - 1))
@settings(deadline=None)
def test_turning_the_chain_turns_the_findings_and_changes_nothing_else(links_on: int) -> None:
    chain = longer(longer(links(), [7], 5.0), list(range(41, 70, 2)), 4.0)
    here = {(f.fault, (f.first_link + links_on) % PITCHES, f.links) for f in faults_of(chain, PITCH_MM)}
    there = {(f.fault, f.first_link, f.links) for f in faults_of(turned(chain, links_on), PITCH_MM)}
    assert here == there
    assert len(here) == 2


@pytest.mark.parametrize("pitches", [12, 13, 17, 20, 31])
def test_short_loops_are_searched_too(pitches: int) -> None:
    rng = np.random.default_rng(pitches)
    sign = np.where(np.arange(pitches) % 2, 1.0, -1.0)
    sign[0] = 0.0 if pitches % 2 else sign[0]
    elongation = 1.5 + 1.5 * sign + rng.normal(0, 0.02, pitches)
    elongation[2:6] += 4.0
    short = LinkMap(
        elongation_pct=elongation,
        u_pct=np.full(pitches, 0.02),
        sign=sign,
        displaced_pct=np.zeros(pitches),
        displaced_u_pct=0.02,
        harmonics=np.full(pitches // 2 + 1, 1e-7),
        mean_pct=float(elongation.mean()),
        laps=20.0,
        confidence=1.0,
    )
    found = faults_of(short, PITCH_MM)
    if pitches >= 20:
        assert Fault.WORN_SECTION in {finding.fault for finding in found}


def test_the_place_along_the_chain_is_that_of_the_worn_chain() -> None:
    chain = longer(links(spread_pct=0.0), [50], 5.0)
    (finding,) = faults_of(chain, PITCH_MM)
    assert finding.from_mm == pytest.approx(50 * 12.7 + 50 * 12.7 * 0.0005 + 25 * 12.7 * 0.03)
    assert f"{finding.from_mm:.0f} mm along the chain" in finding.words


@pytest.mark.parametrize("pitch_mm", [0.0, -1.0, float("nan"), float("inf")])
def test_no_pitch_is_refused(pitch_mm: float) -> None:
    with pytest.raises(ValueError, match="nominal pitch"):
        faults_of(links(), pitch_mm)


# --- on simulated drives ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", cases(120))
def test_each_fault_is_found_in_its_place_after_20_laps_with_2_percent_of_the_pulses_missed(
    name: str,
) -> None:
    rng = np.random.default_rng(31)
    for _ in range(6):
        setting = drawn(rng, elongation_pct=float(rng.uniform(0.8, 2.0)), missed=0.02)
        case = cases(setting.pitches)[name]
        worn = Follower(replace(setting, **case.changes)).laps(20)
        (finding,) = worn.faults()
        assert right(worn, case, finding), finding.words


def test_a_joint_of_1_mm_is_measured_to_its_uncertainty() -> None:
    errors = []
    for seed in range(1, 13):
        worn = Follower(Setting(seed=seed, bad_joint_mm=1.0)).laps(20)
        (finding,) = worn.faults()
        true_pct = worn.true_pct()
        like_pct = np.median(true_pct[finding.first_link % 2 :: 2])
        true_mm = (true_pct[finding.first_link] - like_pct) / 100 * PITCH_MM
        errors.append((finding.excess_mm - true_mm) / finding.u_mm)
        assert finding.u_mm < 0.02
    assert np.sqrt(np.mean(np.square(errors))) < 2.5  # its like beside it differ too


def drawn_section(rng: np.random.Generator) -> tuple[Follower, WornSection]:
    """A chain with a section worn faster than the rest, or spliced in new, that ran 20 laps."""
    setting = drawn(rng, elongation_pct=float(rng.uniform(0.8, 2.0)))
    section = WornSection(
        first_joint=int(rng.integers(5, setting.pitches - 5)),
        joints=int(rng.integers(8, min(40, setting.pitches // 2 - 4))),
        factor=float(rng.choice([0.0, rng.uniform(2.5, 5)])),
    )
    return Follower(replace(setting, worn_section=section)).laps(20), section


def true_excess_mm(worn: Follower, section: WornSection) -> float:
    """By how much all links that the joints of the section belong to are longer than the mean of their like in the rest."""
    pitches = worn.setting.pitches
    pct = 100 * (worn.drive.chain.links_mm / PITCH_MM - 1)
    inside = np.arange(section.first_joint - 1, section.first_joint + section.joints) % pitches
    rest = np.setdiff1d(np.arange(pitches), inside)
    like = [float(pct[rest[rest % 2 == kind]].mean()) for kind in (0, 1)]
    return sum(float(pct[link]) - like[link % 2] for link in inside) / 100 * PITCH_MM


def test_the_stated_interval_of_a_section_holds_what_it_is_longer_by_wherever_it_ends() -> None:
    """Its end links are worn by half, so where it ends is known to a pair of links."""
    rng = np.random.default_rng(34)
    scores, ends = [], []
    for _ in range(80):
        worn, section = drawn_section(rng)
        found = [each for each in worn.faults() if each.fault in {Fault.WORN_SECTION, Fault.NEW_SECTION}]
        if not found:
            continue
        finding = max(found, key=lambda each: abs(each.excess_mm))
        scores.append((finding.excess_mm - true_excess_mm(worn, section)) / finding.u_mm)
        pitches = worn.setting.pitches
        start = finding.first_link - worn.true_link(section.first_joint - 1)
        start = (start + pitches // 2) % pitches - pitches // 2
        ends += [abs(start), abs(start + finding.links - section.joints - 1)]
        assert "either end to 2 links" in finding.words
    assert len(scores) > 70
    assert np.mean(np.abs(scores) <= 2) >= 0.88
    assert np.mean(np.array(ends) <= 2) >= 0.97


def test_no_fault_is_named_on_100_sound_chains() -> None:
    rng = np.random.default_rng(32)
    named = [finding for _ in range(100) for finding in Follower(drawn(rng)).laps(20).faults()]
    assert named == []


def test_two_faults_are_told_apart() -> None:
    section = WornSection(first_joint=90, joints=20, factor=4.0)
    worn = Follower(Setting(seed=2, worn_section=section, bad_joint_mm=1.0)).laps(20)
    found = {finding.fault: finding for finding in worn.faults()}
    assert set(found) == {Fault.WORN_SECTION, Fault.LONG_LINK}
    assert found[Fault.LONG_LINK].first_link == worn.true_link(59)
    assert abs(found[Fault.WORN_SECTION].first_link - worn.true_link(89)) <= 2

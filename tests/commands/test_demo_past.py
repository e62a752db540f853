"""What the demo enters before it starts: taken by the doors that people use, and enough for every page to show something."""

from sensors_sim.past import BRICKWORKS_PAST, past_json
from sensors_sim.plant import BRICKWORKS
from sensors_sim.register import register_toml
from service.adapters.register_files import read_toml
from service.commands.demo_past import STOPS_IN_DAYS, enter_past
from service.operate import Operate
from service.plan_changes import PlanChanges
from tests.contracts.given import DAY_NS, an_empty_database

NOW_NS = 1_764_058_500_000_000_000


def test_what_the_plant_had_before_is_entered_whole() -> None:
    with an_empty_database() as database:
        operate = Operate(database.register, database.refused, database.readings)
        registrations = read_toml(register_toml(BRICKWORKS.drives, seed=1, now_ns=NOW_NS))
        assert operate.import_registrations(registrations, at_ns=NOW_NS, by="demo").errors == ()
        enter_past(database, past_json(BRICKWORKS_PAST, BRICKWORKS.drives), NOW_NS)

        off = [each for each in database.register.chains() if each.removed_ns is not None]
        assert len(off) == len(BRICKWORKS_PAST.chains)
        assert {each.chain_id for each in database.removals.newest()} == {each.chain_id for each in off}
        measured = {each.drive_id for each in database.hand_values.newest()}
        assert measured == set(BRICKWORKS_PAST.by_hand)
        stops = database.planned_stops.stops()
        assert [round((each.starts_ns - NOW_NS) / DAY_NS) for each in stops] == list(STOPS_IN_DAYS)
        (work,) = database.work_in_hand.in_hand()
        assert work.work_order == "W-2231"
        terms = PlanChanges(database).of_drive("wire-cutter", now_ns=NOW_NS).change.facts.terms
        assert (terms.lead_days, terms.stock_number, terms.currency) == (0, "S 114-08", "EUR")

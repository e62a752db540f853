"""What the kept file of schema 0011 holds besides: people, alerts, routes, shifts, lives, prognoses, plans of changes."""

from dataclasses import replace

from service.adapters.database.connect import Database
from service.core.alert import replay
from service.core.people import FOR_A_NAME
from tests.contracts.given import NOON_NS
from tests.contracts.test_alert_log import A_LIFE, PRESS, record
from tests.contracts.test_audit_log import AN_ENTRY
from tests.contracts.test_changes import A_PLAN, A_STOP, A_SUPPLY
from tests.contracts.test_evaluations import SAVED
from tests.contracts.test_lives import A_REMOVAL, A_SPROCKET, AN_INSPECTION, AN_UPKEEP
from tests.contracts.test_outbox import A_ROUTE, out
from tests.contracts.test_people import BOSS, SESSION, TOKEN
from tests.contracts.test_prognoses import TOLD
from tests.contracts.test_setpoints import AN_OVERRIDE
from tests.contracts.test_shifts import A_NOTE, A_RECEIPT, A_SITE, A_WORK, GIVEN, a_handover

EVER = (0, 2**62)
OFF = replace(A_REMOVAL, chain_id="older")


def fill(database: Database) -> None:
    """Put something into every table that came since 0002."""
    record(database.alert_log, PRESS, *A_LIFE)
    database.audit_log.record(AN_ENTRY)
    database.people.add(BOSS)
    database.sessions.open(SESSION)
    database.tokens.add(TOKEN)
    database.guess_counts.begin({"hash": FOR_A_NAME}, NOON_NS)
    database.outbox.add(A_ROUTE, 10)
    database.outbox.put([out("waiting", route_id=A_ROUTE.route_id)])
    database.setpoints.put(AN_OVERRIDE)
    database.evaluations.save([SAVED])
    database.sites.put(A_SITE)
    database.work_in_hand.open(A_WORK)
    database.notes.add(A_NOTE)
    frozen = database.handovers.freeze(a_handover())
    database.handovers.sign(replace(GIVEN, handover=frozen.head.number, sha256=frozen.head.sha256))
    database.handovers.receive(replace(A_RECEIPT, handover=frozen.head.number))
    database.removals.record(OFF)
    sprocket = database.sprockets.fit(A_SPROCKET)
    database.sprockets.inspect(replace(AN_INSPECTION, sprocket=sprocket.number))
    database.upkeep_log.record(AN_UPKEEP)
    database.prognoses.keep([TOLD])
    database.planned_stops.add(A_STOP)
    database.supplies.put(A_SUPPLY)
    database.duty_plans.put(A_PLAN)


def assert_all(database: Database) -> None:
    """All of it is shown as it was stored."""
    log = database.alert_log
    assert [each.act for each in log.of_alert(PRESS.alert_id)] == list(A_LIFE)
    assert replay(log.of_alert(PRESS.alert_id), PRESS) == log.alert(PRESS.alert_id)
    assert [replace(each, number=0) for each in database.audit_log.entries()] == [AN_ENTRY]
    assert database.people.people() == [BOSS]
    assert database.sessions.find(SESSION.secret_hash) == (SESSION, BOSS)
    assert database.tokens.tokens() == [TOKEN]
    assert database.outbox.routes() == [A_ROUTE]
    assert database.outbox.delivery(A_ROUTE.route_id).waiting == 1
    assert database.setpoints.overrides() == [AN_OVERRIDE]
    assert database.evaluations.load(SAVED.drive_id) == SAVED
    assert database.sites.sites() == [A_SITE]
    assert [replace(each, work_id=0) for each in database.work_in_hand.in_hand()] == [A_WORK]
    (note,) = database.notes.recorded(A_NOTE.site, *EVER)
    assert replace(note, number=0) == A_NOTE
    frozen = database.handovers.handover(1)
    assert frozen == replace(a_handover(), head=replace(a_handover().head, number=1))
    assert database.handovers.signatures([1]) == [replace(GIVEN, sha256=frozen.head.sha256)]
    assert database.handovers.receipts([1]) == [A_RECEIPT]
    assert [replace(each, number=0) for each in database.removals.newest()] == [OFF]
    assert [replace(each, number=0) for each in database.sprockets.of()] == [A_SPROCKET]
    assert [replace(each, number=0) for each in database.sprockets.inspections()] == [AN_INSPECTION]
    assert [replace(each, number=0) for each in database.upkeep_log.of()] == [AN_UPKEEP]
    assert [replace(each, number=0) for each in database.prognoses.newest()] == [TOLD]
    assert [replace(each, number=0) for each in database.planned_stops.stops()] == [A_STOP]
    assert database.supplies.supplies() == [A_SUPPLY]
    assert database.duty_plans.plans() == [A_PLAN]

"""Run by test_delivery: delivers from a store until it is killed. Arguments: the store's file."""

import sys
import threading

from service.adapters.database.connect import open_database
from service.adapters.webhook import WebhookNotifier
from service.core.route import Route
from service.deliver import Deliver, DeliverPorts, Pace
from service.ports import Notifier


def main() -> None:
    database = open_database(f"sqlite:///{sys.argv[1]}")

    def notifier_for(route: Route) -> Notifier:
        return WebhookNotifier(route, timeout_s=0.3)

    ports = DeliverPorts(
        alert_log=database.alert_log,
        outbox=database.outbox,
        register=database.register,
        notifier_for=notifier_for,
    )
    pace = Pace(look_s=0.02, first_wait_s=0.02, longest_wait_s=0.2)
    Deliver(ports, pace=pace, to_broker=False).run(threading.Event())


main()

"""All that `linklag` and its simulator load when they start; see `tests.begun`."""

import sensors_sim.main
import service.adapters.database.alert_log
import service.adapters.web.app
import service.adapters.web.server
import service.commands.at_work
import service.commands.check
import service.commands.delivery
import service.commands.record
import service.commands.serve
import service.main

__all__ = ["sensors_sim", "service"]

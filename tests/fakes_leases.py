"""An in-memory stand-in for the leases. It passes the same contract tests as the database."""

from collections.abc import Sequence

from service.ports import Holder, Lease, LeaseLostError
from tests.fakes import _Fake


class FakeLeases(_Fake):
    """The port `Leases` in memory."""

    def __init__(self) -> None:
        self._holders: dict[str, Holder] = {}
        self._leases: dict[str, Lease] = {}
        self._terms: dict[str, int] = {}

    def beat(self, holder: Holder) -> None:
        self._refuse_if_down()
        if not holder.name:
            raise ValueError("a holder needs a name")
        self._holders[holder.name] = holder

    def look(self) -> tuple[list[Holder], list[Lease]]:
        self._refuse_if_down()
        holders = [self._holders[name] for name in sorted(self._holders)]
        return holders, [self._leases[task] for task in sorted(self._leases)]

    def take(self, task: str, name: str, at_ns: int) -> Lease | None:
        self._refuse_if_down()
        if name not in self._holders or task in self._leases:
            return None
        self._terms[task] = self._terms.get(task, 0) + 1
        lease = Lease(task=task, holder=name, term=self._terms[task], since_ns=at_ns)
        self._leases[task] = lease
        return lease

    def let_go(self, lease: Lease) -> None:
        self._refuse_if_down()
        if self._holds(lease):
            del self._leases[lease.task]

    def count_out(self, holder: Holder) -> bool:
        self._refuse_if_down()
        known = self._holders.get(holder.name)
        if known is None or known.beat != holder.beat:
            return False
        self.leave(holder.name)
        return True

    def leave(self, name: str) -> None:
        self._refuse_if_down()
        self._holders.pop(name, None)
        self._leases = {task: lease for task, lease in self._leases.items() if lease.holder != name}

    def check(self, leases: Sequence[Lease]) -> None:
        self._refuse_if_down()
        lost = [each.task for each in leases if not self._holds(each)]
        if lost or not leases:
            raise LeaseLostError(lost)

    def _holds(self, lease: Lease) -> bool:
        known = self._leases.get(lease.task)
        return known is not None and (known.holder, known.term) == (lease.holder, lease.term)

"""An in-memory stand-in for the kept prognoses. It passes the same contract tests as the database."""

import json
from collections.abc import Sequence
from dataclasses import replace

from service.ports import ROWS_MAX, KeptPrognosis
from tests.fakes import FakeRegister, _Fake

DAY_NS = 86_400 * 10**9


class FakePrognoses(_Fake):
    """The port `Prognoses` in memory, its documents as JSON: so that nothing comes back that JSON cannot hold."""

    def __init__(self, register: FakeRegister) -> None:
        self._register = register
        self._kept: list[KeptPrognosis] = []
        self._first: set[int] = set()
        self._number = 0

    def keep(self, prognoses: Sequence[KeptPrognosis]) -> None:
        self._refuse_if_down()
        documents = [json.loads(json.dumps(each.document, allow_nan=False)) for each in prognoses]
        for each in prognoses:
            self._register.drive(each.drive_id)
        for each, document in zip(prognoses, documents, strict=True):
            self._number += 1
            mine = [one for one in self._kept if one.chain_id == each.chain_id]
            if each.made_ns // DAY_NS not in {one.made_ns // DAY_NS for one in mine}:
                self._first.add(self._number)
            self._kept.append(replace(each, document=document, number=self._number))
            mine.append(self._kept[-1])
            newest = max(mine, key=lambda one: (one.made_ns, one.number))
            gone = {one.number for one in mine if one is not newest} - self._first
            self._kept = [one for one in self._kept if one.number not in gone]

    def newest(self, by_ns: int | None = None) -> list[KeptPrognosis]:
        self._refuse_if_down()
        found = {}
        for each in sorted(self._kept, key=lambda one: (one.made_ns, one.number)):
            if by_ns is None or each.made_ns <= by_ns:
                found[each.drive_id] = each
        return [found[drive_id] for drive_id in sorted(found)]

    def newest_of(self, drive_id: str) -> KeptPrognosis | None:
        return next((each for each in self.newest() if each.drive_id == drive_id), None)

    def of_drive(
        self, drive_id: str, *, before: int | None = None, rows_max: int = 100
    ) -> list[KeptPrognosis]:
        self._refuse_if_down()
        found = [
            each
            for each in self._kept
            if each.drive_id == drive_id and (before is None or each.number < before)
        ]
        return sorted(found, key=lambda one: -one.number)[:rows_max]

    def of_chain(
        self, chain_id: str, rows_max: int = ROWS_MAX, *, documents: bool = True
    ) -> list[KeptPrognosis]:
        self._refuse_if_down()
        found = [
            each if documents else replace(each, document={})
            for each in self._kept
            if each.chain_id == chain_id
        ]
        return sorted(found, key=lambda one: (one.made_ns, one.number))[-rows_max:]

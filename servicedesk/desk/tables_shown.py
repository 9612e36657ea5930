"""Interval tables as pages and files name them: title, version, and whether anybody confirmed them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from django.urls import reverse

from schedules.rulebook.models import Confirmation
from schedules.rulebook.queries import TableState, confirmations, table_state, table_version


@dataclass(frozen=True, slots=True)
class TableShown:
    """A table version as the confirmation partials take it."""

    key: str
    version: str
    title: str
    confirmed_by: str
    confirmed_on: date | None
    sentence: str
    url: str
    confirm_url: str = ""
    varied: tuple[str, ...] = ()


class TableBook:
    """Table versions with their state of confirmation; one query for all."""

    def __init__(self, *, may_confirm: bool = False) -> None:
        self.may_confirm = may_confirm
        self._standing: Mapping[tuple[str, str], Confirmation] = confirmations()
        self._shown: dict[tuple[str, str], TableShown] = {}

    def get(self, key: str, version: str) -> TableShown:
        """The table ``key`` in ``version``; one that is no longer shipped is named by its key."""
        if (key, version) not in self._shown:
            table = table_version(key, version)
            if table is None:
                shown = TableShown(
                    key, version, key, "", None, "Unconfirmed: this version is no longer shipped.", ""
                )
            else:
                shown = self.of_state(table_state(table, self._standing))
            self._shown[key, version] = shown
        return self._shown[key, version]

    def of_state(self, state: TableState, varied: tuple[str, ...] = ()) -> TableShown:
        """A table state as a page shows it, with what is varied in the table at the place in question."""
        url = reverse("desk:table", args=[state.table.key, state.table.version])
        return TableShown(
            key=state.table.key,
            version=state.table.version,
            title=state.table.title,
            confirmed_by=state.confirmed_name if state.is_confirmed else "",
            confirmed_on=state.confirmed_at.date() if state.is_confirmed and state.confirmed_at else None,
            sentence=state.sentence,
            url=url,
            confirm_url=f"{url}#confirm" if self.may_confirm and not state.is_confirmed else "",
            varied=varied,
        )

    def notice(self, used: Iterable[tuple[str, str]]) -> dict[str, object]:
        """What ``_confirm_states.html`` takes for the (key, version) pairs that were used."""
        tables = [self.get(key, version) for key, version in sorted(set(used))]
        return {"tables": tables, "unconfirmed_count": sum(not table.confirmed_by for table in tables)}

"""Which farm a row is about: its client by number, the farm by name."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import Any

from django.utils.translation import gettext as _

from trimmer.models import Client, Farm
from trimmer.services.sheets.comparing import ByWord, Comparison, plain
from trimmer.sheets.layout import Row

MOST_NAMED = 8
"""How many farms a sentence names at most."""


@dataclass(frozen=True, slots=True)
class _Wrong:
    """Why there is no farm: the column at fault, a code and the sentence with its parameters."""

    column: str
    code: str
    sentence: str
    params: dict[str, Any]


class Places:
    """The farms of the business, found by what rows say. Archived ones count only where the past is told."""

    def __init__(self, comparison: Comparison, *, archived: bool) -> None:
        self._comparison = comparison
        self._archived = archived
        business = comparison.sheet.business
        clients = list(Client.objects.of(business).order_by("pk"))
        self._clients = ByWord((client.number, client) for client in clients)
        by_key = {client.pk: client for client in clients}
        self._farms: defaultdict[int, list[Farm]] = defaultdict(list)
        for client in clients:
            client.business = business
        for farm in Farm.objects.of(business).order_by("name", "pk"):
            farm.client = by_key[farm.client_id]
            self._farms[farm.client_id].append(farm)
        self._answers: dict[tuple[str, str | None], Farm | _Wrong] = {}

    def farm_of(self, row: Row) -> Farm | None:
        """The farm of a row that has `client_number` and `farm_name`; None with the fault noted."""
        asked = (row.values["client_number"], row.values["farm_name"])
        answer = self._answers.get(asked)
        if answer is None:
            answer = self._answers[asked] = self._look(*asked)
        if isinstance(answer, Farm):
            return answer
        self._comparison.refuse(row, answer.column, answer.code, answer.sentence, **answer.params)
        return None

    def _look(self, number: str, name: str | None) -> Farm | _Wrong:
        client = self._clients.find(number)
        if client is None:
            text = _("There is no client with number %(value)s. Bring in clients and farms first, or correct it.")
            return _Wrong("client_number", "client_unknown", text, {})
        farms = self._farms[client.pk]
        current = [farm for farm in farms if farm.archived_at is None]
        if name is None:
            if len(current) == 1:
                return current[0]
            if not current:
                text = _("%(client)s has no farm. Bring in clients and farms first.")
                return _Wrong("client_number", "client_has_no_farm", text, {"client": client})
            text = _("%(client)s has several farms. Say which: %(farms)s.")
            return _Wrong("farm_name", "farm_not_named", text, {"client": client, "farms": _named(current)})
        farm = ByWord((farm.name, farm) for farm in [*current, *farms]).find(name)
        if farm is None:
            text = _("%(client)s has no farm called “%(value)s”. There is: %(farms)s.")
            return _Wrong("farm_name", "farm_unknown", text, {"client": client, "farms": _named(current) or "–"})
        if farm.archived_at is not None and not self._archived:
            text = _("%(farm)s is archived. Bring it back first, or leave its rows out.")
            return _Wrong("farm_name", "farm_is_archived", text, {"farm": farm})
        return farm


def _named(farms: list[Farm]) -> str:
    names = [plain(farm.name) for farm in farms]
    return ", ".join(names[:MOST_NAMED]) + (", …" if len(names) > MOST_NAMED else "")

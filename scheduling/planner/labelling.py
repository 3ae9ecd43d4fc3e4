"""Rounds of one crew-day, all that are worth it: labels grown stop by stop, the dominated and the hopeless dropped.

A label's hours are a function of the leaving time D: work at its last stop starts at max(early, D + offset), and D is
at most leave_max. Labels with the same visits and the same last job compete; a label whose outlook cannot reach the
wanted reduced cost is dropped, so that without `most` labels nothing worth it is missed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from .arrays import Bits, Flags, Floats, Ints, Shift, WeekArrays
from .outlook import Outlook

HUNGRY, FED_OUT, FED_AT_BASE = 0, 1, 2
"""Lunch: still to be had; had on the way; had at base before leaving."""

_COMPARED = 6
_MOST_STOPS = 24


@dataclass(frozen=True, kw_only=True)
class Labels:
    """Many labels of one length. `spent`: cost so far but for going out, time away and lateness; `worth`: sum of the
    prices; `mask`: visited jobs, 64 to a word; `parent`: index among the labels one stop shorter."""

    slot: Ints
    early: Ints
    offset: Ints
    leave_max: Ints
    lunch: npt.NDArray[np.int8]
    spent: Floats
    worth: Floats
    late: Floats
    parent: Ints
    items: Bits
    mask: Bits
    drive: Ints
    work: Ints
    due: Flags

    def __len__(self) -> int:
        return len(self.slot)

    def take(self, which: npt.NDArray[np.bool_] | npt.NDArray[np.intp]) -> Labels:
        return Labels(**{f.name: getattr(self, f.name)[which] for f in fields(self)})


def _joined(parts: Sequence[Labels]) -> Labels:
    return Labels(**{f.name: np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Labels)})


@dataclass(frozen=True, kw_only=True)
class Column:
    """A round as the master sees it: crew-day, items in order, cost with the lateness of whole jobs, reduced cost, sum
    of item hashes."""

    shift: int
    visits: tuple[int, ...]
    cost: float
    reduced: float
    items: int


class Labeller:
    """Grows the labels of one crew-day for given prices of its slots.

    crew_price: dual of the crew-day; below: wanted reduced cost; most: labels kept of each length (None: all); limit:
    columns handed back (None: all); too_many: asked after each length with the number of labels so far, whether to
    give up. After `run`: `whole` says that nothing was missed, `lowest_dropped` that what was dropped could not get
    below it.
    """

    def __init__(
        self,
        arrays: WeekArrays,
        outlook: Outlook,
        shift: Shift,
        prices: Floats,
        crew_price: float,
        below: float,
        *,
        most: int | None = None,
        limit: int | None = None,
        too_many: Callable[[int], bool] | None = None,
    ) -> None:
        self.arrays, self.outlook, self.shift = arrays, outlook, shift
        self.prices, self.below, self.most = np.asarray(prices, dtype=float), below, most
        self.base = shift.going - crew_price
        self.limit, self.too_many = limit, too_many
        rules = arrays.rules
        self.lunch = rules.lunch
        after_lunch = max(shift.earliest, rules.lunch_from + rules.lunch) if rules.lunch else shift.earliest
        self.leave_min = np.array([shift.earliest, shift.earliest, after_lunch], dtype=np.int32)
        self.word, self.bit = shift.job // 64, np.uint64(1) << (shift.job % 64).astype(np.uint64)
        self.item_hash = arrays.item_hash[shift.item]
        self.share = rules.most_drive_share

    def run(self) -> list[Column]:
        """The rounds below the wanted reduced cost, cheapest reduced cost first; one for each set of visits."""
        found: list[tuple[int, npt.NDArray[np.intp], Floats, Floats, Bits]] = []
        history: list[tuple[Ints, Ints]] = []
        self.labels, self.lowest_dropped = 0, float("inf")
        self.whole = True
        labels = self._roots() if len(self.shift.item) else None
        while labels is not None and len(labels) and len(history) < _MOST_STOPS:
            labels = self._dominant(self._hopeful(labels))
            self.labels += len(labels)
            if self.too_many is not None and self.too_many(self.labels):
                self.whole, self.lowest_dropped = False, float("-inf")
                break
            if not len(labels):
                break
            history.append((labels.slot, labels.parent))
            cost, reduced = self._home(labels)
            good = np.flatnonzero(reduced < self.below)
            if len(good):
                found.append((len(history) - 1, good, cost[good], reduced[good], labels.items[good]))
            labels = self._extended(labels)
        return list(self._rounds(found, history))

    def _roots(self) -> Labels:
        """The first stop: lunch still to come, lunch on the way there, lunch at base before leaving."""
        shift, rules = self.shift, self.arrays.rules
        slots = np.arange(len(shift.item), dtype=np.int32)
        out = shift.out[shift.job]
        start = np.maximum(shift.first, shift.earliest + out)
        leave = np.minimum(shift.latest, shift.last - out)
        if not rules.lunch:
            return self._root(slots, start, out, leave, FED_AT_BASE)
        after = np.maximum(shift.first, self.leave_min[FED_AT_BASE] + out)
        arrive = np.maximum(shift.earliest + out, rules.lunch_from) + rules.lunch
        offset = (out + rules.lunch).astype(np.int32)
        leave_fed = np.minimum(np.minimum(shift.latest, shift.last - offset), rules.lunch_to)
        return _joined(
            [
                self._root(slots, start, out, leave, HUNGRY),
                self._root(slots, after, out, leave, FED_AT_BASE),
                self._root(slots, np.maximum(shift.first, arrive), offset, leave_fed, FED_OUT),
            ]
        )

    def _root(self, slots: Ints, early: Ints, offset: Ints, leave_max: Ints, lunch: int) -> Labels:
        shift, idle = self.shift, self.shift.idle
        ok = (early <= shift.last) & (leave_max >= self.leave_min[lunch])
        slots = slots[ok]
        count = len(slots)
        mask = np.zeros((count, self.arrays.words), dtype=np.uint64)
        mask[np.arange(count), self.word[slots]] = self.bit[slots]
        eaten_out = idle * self.lunch if lunch == FED_OUT else 0.0
        job = shift.job[slots]
        return Labels(
            slot=slots,
            early=early[ok].astype(np.int32),
            offset=offset[ok].astype(np.int32),
            leave_max=leave_max[ok].astype(np.int32),
            lunch=np.full(count, lunch, dtype=np.int8),
            spent=shift.out_cost[job] - eaten_out - idle * shift.service[slots],
            worth=self.prices[slots],
            late=shift.late[slots],
            parent=np.full(count, -1, dtype=np.int32),
            items=self.item_hash[slots],
            mask=mask,
            drive=shift.out[job],
            work=self.arrays.item_work[shift.item[slots]],
            due=shift.due[slots],
        )

    def _hopeful(self, labels: Labels) -> Labels:
        """Labels that may still get below the wanted reduced cost; the best of them if there are too many."""
        shift = self.shift
        service = shift.service[labels.slot]
        away = np.maximum(labels.early - labels.leave_max, labels.offset) + service
        so_far = self.base + labels.spent + shift.idle * away - labels.worth
        gain = self.outlook.most(
            shift,
            shift.job[labels.slot],
            labels.early,
            labels.offset,
            labels.leave_max,
            service,
            labels.lunch != HUNGRY,
        )
        lowest = so_far - gain
        keep = np.flatnonzero(lowest < self.below)
        if self.most is not None and len(keep) > self.most:
            order = np.argpartition(lowest[keep], self.most)
            self.lowest_dropped = min(self.lowest_dropped, float(lowest[keep[order[self.most :]]].min()))
            self.whole = False
            keep = keep[np.sort(order[: self.most])]
        return labels.take(keep)

    def _dominant(self, labels: Labels) -> Labels:
        """Labels not beaten by a neighbour with the same visits, last job and lunch, in two orders."""
        for turn in range(2):
            if len(labels) < 2:
                return labels
            job = self.shift.job[labels.slot].astype(np.uint64)
            key = (labels.items * np.uint64(4) + labels.lunch.astype(np.uint64)) * np.uint64(1000003) + job
            if turn == 0:
                order = np.lexsort((labels.spent, labels.early, key))
            else:
                order = np.lexsort((-labels.leave_max, labels.offset, labels.spent, key))
            key, early, offset = key[order], labels.early[order], labels.offset[order]
            leave, spent, drive = labels.leave_max[order], labels.spent[order], labels.drive[order]
            alive = np.ones(len(labels), dtype=bool)
            for step in range(1, min(_COMPARED, len(labels))):
                beaten = key[step:] == key[:-step]
                if not beaten.any():
                    break
                beaten &= (early[:-step] <= early[step:]) & (offset[:-step] <= offset[step:])
                beaten &= (leave[:-step] >= leave[step:]) & (spent[:-step] <= spent[step:] + 1e-9) & alive[:-step]
                if self.share is not None:
                    beaten &= drive[:-step] <= drive[step:]
                alive[step:] &= ~beaten
            if not alive.all():
                labels = labels.take(np.sort(order[alive]))
        return labels

    def _home(self, labels: Labels) -> tuple[Floats, Floats]:
        """(cost, reduced cost) of driving home now; infinite where the rules forbid it."""
        shift, rules = self.shift, self.arrays.rules
        job = shift.job[labels.slot]
        leg = shift.service[labels.slot] + shift.home[job]
        hungry = labels.lunch == HUNGRY
        leave_min = self.leave_min[labels.lunch]
        end, offset = labels.early + leg, labels.offset + leg
        leave = np.minimum(labels.leave_max, shift.latest - offset)
        ok = end <= shift.latest
        if rules.lunch:  # at base after the return
            leave = np.where(hungry, np.minimum(leave, rules.lunch_to - offset), leave)
            ok &= ~hungry | (end <= rules.lunch_to)
        away = np.maximum(end - leave, offset)
        ok &= (leave >= leave_min) & (away <= shift.longest)
        best = np.where(ok, shift.idle * away, np.inf)
        if rules.lunch:  # on the way home
            end = np.maximum(end, rules.lunch_from) + rules.lunch
            offset = offset + rules.lunch
            leave = np.minimum(np.minimum(labels.leave_max, rules.lunch_to - labels.offset), shift.latest - offset)
            away = np.maximum(end - leave, offset)
            ok = hungry & (labels.early <= rules.lunch_to) & (end <= shift.latest)
            ok &= (leave >= leave_min) & (away <= shift.longest)
            best = np.minimum(best, np.where(ok, shift.idle * (away - rules.lunch), np.inf))
        if self.share is not None:
            worth_it = labels.due | (labels.drive + shift.home[job] <= self.share * labels.work)
            best = np.where(worth_it, best, np.inf)
        run = labels.spent + shift.home_cost[job] + best
        return shift.going + run + labels.late, self.base + run - labels.worth

    def _extended(self, labels: Labels) -> Labels:
        """Every label with every next stop it can still meet, without and with lunch on the way."""
        shift, rules = self.shift, self.arrays.rules
        job = shift.job[labels.slot]
        leg = self.arrays.leg[job][:, shift.job] + shift.service[labels.slot][:, None]
        ok = (labels.mask[:, self.word] & self.bit[None, :]) == 0
        ok &= labels.early[:, None] + leg <= shift.last[None, :]
        ok &= (labels.offset + self.leave_min[labels.lunch])[:, None] + leg <= shift.last[None, :]
        ok[shift.final[labels.slot]] = False
        old, slot = np.nonzero(ok)
        leg = leg[old, slot]
        straight = self._moved(
            labels,
            old,
            slot,
            labels.early[old] + leg,
            labels.offset[old] + leg,
            labels.leave_max[old],
            labels.lunch[old],
            0.0,
        )
        if not rules.lunch:
            return straight
        eats = (labels.lunch[old] == HUNGRY) & (labels.early[old] <= rules.lunch_to)
        old, slot, leg = old[eats], slot[eats], leg[eats]
        fed = self._moved(
            labels,
            old,
            slot,
            np.maximum(labels.early[old] + leg, rules.lunch_from) + rules.lunch,
            labels.offset[old] + leg + rules.lunch,
            np.minimum(labels.leave_max[old], rules.lunch_to - labels.offset[old]),
            np.full(len(old), FED_OUT, dtype=np.int8),
            shift.idle * rules.lunch,
        )
        return _joined([straight, fed])

    def _moved(
        self,
        labels: Labels,
        old: npt.NDArray[np.intp],
        slot: npt.NDArray[np.intp],
        arrive: Ints,
        offset: Ints,
        leave_max: Ints,
        lunch: npt.NDArray[np.int8],
        saved: float,
    ) -> Labels:
        shift = self.shift
        job = shift.job[slot]
        leave_min = self.leave_min[lunch]
        early = np.maximum(np.maximum(arrive, shift.first[slot]), leave_min + offset)
        leave = np.minimum(leave_max, shift.last[slot] - offset)
        away = np.maximum(early - leave, offset) + shift.service[slot] + shift.home[job]
        ok = (early <= shift.last[slot]) & (leave >= leave_min) & (away <= shift.longest)
        old, slot, job = old[ok], slot[ok], job[ok]
        before = shift.job[labels.slot[old]]
        mask = labels.mask[old]
        mask[np.arange(len(old)), self.word[slot]] |= self.bit[slot]
        return Labels(
            slot=slot.astype(np.int32),
            early=early[ok],
            offset=offset[ok],
            leave_max=leave[ok],
            lunch=lunch[ok],
            spent=labels.spent[old] + shift.way_cost[before, job] - shift.idle * shift.service[slot] - saved,
            worth=labels.worth[old] + self.prices[slot],
            late=labels.late[old] + shift.late[slot],
            parent=old.astype(np.int32),
            items=labels.items[old] + self.item_hash[slot],
            mask=mask,
            drive=labels.drive[old] + self.arrays.drive[before, job],
            work=labels.work[old] + self.arrays.item_work[shift.item[slot]],
            due=labels.due[old] | shift.due[slot],
        )

    def _rounds(
        self,
        found: Sequence[tuple[int, npt.NDArray[np.intp], Floats, Floats, Bits]],
        history: Sequence[tuple[Ints, Ints]],
    ) -> Iterator[Column]:
        if not found:
            return
        items = np.concatenate([entry[4] for entry in found])
        cost = np.concatenate([entry[2] for entry in found])
        reduced = np.concatenate([entry[3] for entry in found])
        length = np.concatenate([np.full(len(entry[1]), entry[0]) for entry in found])
        where = np.concatenate([entry[1] for entry in found])
        order = np.lexsort((cost, items))
        first = np.ones(len(order), dtype=bool)
        first[1:] = items[order][1:] != items[order][:-1]
        kept = order[first]
        kept = kept[np.lexsort((items[kept], reduced[kept]))]
        if self.limit is not None:
            kept = kept[: self.limit]
        visits = np.full((len(kept), len(history)), -1, dtype=np.int32)
        at, size = where[kept], length[kept]
        for place in range(len(history) - 1, -1, -1):
            slot, parent = history[place]
            here = size >= place
            visits[here, place] = self.shift.item[slot[at[here]]]
            at[here] = parent[at[here]]
        each = cost[kept].tolist(), reduced[kept].tolist(), items[kept].tolist()
        rows = zip(visits.tolist(), size.tolist(), *each, strict=True)
        for row, long, total, rc, key in rows:
            yield Column(shift=self.shift.index, visits=tuple(row[: long + 1]), cost=total, reduced=rc, items=key)

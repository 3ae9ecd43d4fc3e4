"""Rounds evaluated, and a week searched, as machine code: the inner loops of local search.

All compiled functions that call each other stand in this one module: numba's cache looks at the file of the outermost
one only, and would go on using an old inner one from another file.

Hours of a round are labels, as in `rounds`. *Fore* labels of a stop: work there starts at max(early, D + offset) when
base is left at D, at most `leave`. *Back* labels of a stop: base is reached at max(end, a + rest) when the stop is
reached at a, at most `last`. A round with a visit put in is priced by joining the fore labels before the place and the
back labels after it, so that the rest of the round need not be walked again. A label's offset is never less than
early - leave (rest: end - last), so that it is also the least time it takes.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from .machine import compiled

type I32 = npt.NDArray[np.int32]
type I64 = npt.NDArray[np.int64]
type F64 = npt.NDArray[np.float64]
type U64 = npt.NDArray[np.uint64]
type U8 = npt.NDArray[np.uint8]

JOB, WORK, SERVICE, HEAD, STEPS = range(5)  # columns of Facts.item
FIRST_ITEM, END_ITEM, WHOLE_ITEM, AT_ONCE, FINAL, ALL_STEPS, SPARSE, CHOICES, FIXED = range(9)  # of Facts.job
EARLIEST, LATEST, LONGEST, AFTER_LUNCH, MOST_HEAD, DAY, PRICES = range(7)  # of Facts.shift
GOING, IDLE = range(2)  # of Facts.money
LUNCH, LUNCH_FROM, LUNCH_TO, MOST_PARTS = range(4)  # of Facts.rule
_HUNGRY, _OUT, _BASE = 0, 1, 2
"""Fore labels: lunch is still to be had, was had on the way, before leaving. Back labels: none is to be had, on the
way, after the return."""
LABELS = 24
_LONG_AGO = -(10**6)
_NEVER = 1 << 30
_DRIVEN, _WORKED, _DUE, _HEADS, _LEGS = range(5)  # columns of State.sum


class Facts(NamedTuple):
    """What no search changes. openings[shift, item]: (first, last) start of each opening, first > last where there is
    none; price[shift, item]: cost of a visit by itself; late[job, day]: cost of the last visit on that day; near[job]:
    all jobs, the nearest first."""

    item: I64
    name: U64
    job: I64
    worth: F64
    late: F64
    shift: I64
    money: F64
    price: F64
    due: U8
    openings: I32
    out: I32
    home: I32
    out_cost: F64
    home_cost: F64
    leg: I32
    drive: I32
    way: F64
    near: I64
    rule: I64
    share: float


class State(NamedTuple):
    """The plan under way and what is remembered of it. route[shift, place]: items; at[job, part]: (shift, item).
    old_*: as it was before the step. memory_*: places found for an item in a round; priced_*: costs of rounds."""

    route: I64
    stops: I64
    name: U64
    cost: F64
    at: I64
    parts: I64
    old_route: I64
    old_stops: I64
    old_name: U64
    old_cost: F64
    touched: U8
    touches: I64
    ruined: I64
    changed: I64
    best_route: I64
    best_stops: I64
    fresh: U8
    sum: I64
    ways: F64
    fore: I32
    fores: I64
    back: I32
    backs: I64
    mid: I32
    memory_name: U64
    memory_cost: F64
    memory_place: I64
    priced_name: U64
    priced_cost: F64
    open: I64
    key: F64
    place_at: I64
    split: F64
    split_from: I64
    number: I64
    value: F64


class Rounds(NamedTuple):
    """Distinct rounds met, hashed by crew-day and visits; score: cost of the best plan each was part of."""

    name: U64
    score: F64
    cost: F64
    shift: I32
    stops: I32
    items: I32
    filled: I64


OPEN, TOUCHED, STEP, LOOSE, CYCLE, CYCLE_END = range(6)  # of State.number
CURRENT, BEST, HEAT, HOT, COLD, REMOVED = range(6)  # of State.value


# ---- chance ----------------------------------------------------------------------------------------------------------


@compiled
def _next(chance: U64) -> np.uint64:
    """The next number (xorshift64*: Vigna 2016)."""
    x = chance[0]
    x ^= x >> np.uint64(12)
    x ^= x << np.uint64(25)
    x ^= x >> np.uint64(27)
    chance[0] = x
    return np.uint64(x * np.uint64(2685821657736338717))


@compiled
def _below(chance: U64, limit: int) -> int:
    return int(np.int64(_next(chance) >> np.uint64(33)) % limit)


@compiled
def _share(chance: U64) -> float:
    return float(np.int64(_next(chance) >> np.uint64(11))) / 9007199254740992.0


@compiled
def _mixed(a: np.uint64, b: np.uint64) -> np.uint64:
    """A hash of two numbers in this order."""
    x = (a ^ (a >> np.uint64(31))) * np.uint64(0x9E3779B97F4A7C15) + b
    x ^= x >> np.uint64(29)
    x *= np.uint64(0xBF58476D1CE4E5B9)
    return np.uint64(x ^ (x >> np.uint64(32)))


# ---- one round -------------------------------------------------------------------------------------------------------


@compiled
def _push(labels: I32, count: int, early: int, offset: int, limit: int, kind: int) -> int:
    """Keep the label unless another one is as good; the new count. Of more than there is room for, some are lost."""
    at = 0
    while at < count:
        if labels[at, 3] == kind:
            if labels[at, 0] <= early and labels[at, 1] <= offset and labels[at, 2] >= limit:
                return count
            if early <= labels[at, 0] and offset <= labels[at, 1] and limit >= labels[at, 2]:
                count -= 1
                labels[at, 0], labels[at, 1] = labels[count, 0], labels[count, 1]
                labels[at, 2], labels[at, 3] = labels[count, 2], labels[count, 3]
                continue
        at += 1
    if count < len(labels):
        labels[count, 0], labels[count, 1], labels[count, 2], labels[count, 3] = early, offset, limit, kind
        count += 1
    return count


@compiled
def _forward(
    source: I32,
    sources: int,
    leg: int,
    openings: I32,
    earliest: int,
    after_lunch: int,
    longest: int,
    rule: I64,
    target: I32,
) -> int:
    """Labels moved over one leg, counted from the start of work at the stop before, into each opening; how many."""
    lunch, lunch_from, lunch_to = rule[LUNCH], rule[LUNCH_FROM], rule[LUNCH_TO]
    count = 0
    for at in range(sources):
        early, offset, leave, kind = source[at, 0], source[at, 1], source[at, 2], source[at, 3]
        begin = after_lunch if kind == _BASE else earliest
        for eat in range(2 if kind == _HUNGRY and early <= lunch_to else 1):
            arrive, off, last_leave = early + leg, offset + leg, leave
            if eat == 1:
                arrive = max(arrive, lunch_from) + lunch
                off += lunch
                last_leave = min(leave, lunch_to - offset)
            for w in range(len(openings)):
                first, last = openings[w, 0], openings[w, 1]
                if first > last or arrive > last:
                    continue
                latest = min(last_leave, last - off)
                if latest < begin:
                    continue
                start = max(arrive, first)
                least = max(off, start - latest)
                if least <= longest:
                    count = _push(target, count, start, least, latest, _OUT if eat == 1 else kind)
    return count


@compiled
def _backward(source: I32, sources: int, leg: int, openings: I32, longest: int, rule: I64, target: I32) -> int:
    """Back labels of the stop before, from those of a stop `leg` minutes after work starts there."""
    lunch, lunch_from, lunch_to = rule[LUNCH], rule[LUNCH_FROM], rule[LUNCH_TO]
    count = 0
    for at in range(sources):
        end, rest, last_arrival, kind = source[at, 0], source[at, 1], source[at, 2], source[at, 3]
        for eat in range(2 if kind == _HUNGRY and lunch > 0 and lunch_from + lunch <= last_arrival else 1):
            latest, long, soonest = last_arrival - leg, rest + leg, end
            if eat == 1:
                latest = min(latest - lunch, lunch_to)
                long += lunch
                soonest = max(end, lunch_from + lunch + rest)
            for w in range(len(openings)):
                first, last = openings[w, 0], openings[w, 1]
                until = min(last, latest)
                if first > last or first > until:
                    continue
                back = max(soonest, first + long)
                least = max(long, back - until)
                if least <= longest:
                    count = _push(target, count, back, least, until, _OUT if eat == 1 else kind)
    return count


@compiled
def _least_away(
    source: I32,
    sources: int,
    leg: int,
    target: I32,
    targets: int,
    earliest: int,
    after_lunch: int,
    longest: int,
    rule: I64,
) -> int:
    """Least minutes away, lunch on the way not counted, of fore and back labels joined over a leg; _NEVER."""
    lunch, lunch_from, lunch_to = rule[LUNCH], rule[LUNCH_FROM], rule[LUNCH_TO]
    best = _NEVER
    for at in range(sources):
        early, offset, leave, kind = source[at, 0], source[at, 1], source[at, 2], source[at, 3]
        begin = after_lunch if kind == _BASE else earliest
        for to in range(targets):
            end, rest, last, fed = target[to, 0], target[to, 1], target[to, 2], target[to, 3]
            long, arrive, until, out = leg, early + leg, leave, 0
            if kind == _HUNGRY:
                if fed == _HUNGRY:
                    if early > lunch_to:
                        continue
                    long += lunch
                    arrive = max(arrive, lunch_from) + lunch
                    until = min(until, lunch_to - offset)
                    out = lunch
                elif fed == _OUT:
                    out = lunch
            elif fed != _HUNGRY:
                continue
            elif kind == _OUT:
                out = lunch
            until = min(until, last - long - offset)
            if arrive > last or until < begin:
                continue
            away = max(max(end, arrive + rest) - until, offset + long + rest)
            if away <= longest and away - out < best:
                best = away - out
    return best


@compiled
def _base_labels(facts: Facts, s: int, fore: I32, back: I32) -> tuple[int, int]:
    """The labels of base itself, before leaving and after the return; how many of each."""
    latest, rule = facts.shift[s, LATEST], facts.rule
    fores = backs = 0
    if rule[LUNCH] == 0:
        fores = _push(fore, 0, _LONG_AGO, 0, latest, _BASE)
        backs = _push(back, 0, _LONG_AGO, 0, latest, _HUNGRY)
    else:
        fores = _push(fore, 0, _LONG_AGO, 0, latest, _HUNGRY)
        fores = _push(fore, fores, _LONG_AGO, 0, latest, _BASE)
        backs = _push(back, 0, _LONG_AGO, 0, latest, _HUNGRY)
        backs = _push(back, backs, _LONG_AGO, 0, min(latest, rule[LUNCH_TO]), _BASE)
    return fores, backs


@compiled
def _leg(facts: Facts, s: int, before: int, after: int) -> int:
    """Minutes from the start of work at an item (-1: from base) to the next (-1: to base)."""
    if before < 0:
        return int(facts.out[s, facts.item[after, JOB]]) if after >= 0 else 0
    j = facts.item[before, JOB]
    if after < 0:
        return int(facts.item[before, SERVICE] + facts.home[s, j])
    return int(facts.item[before, SERVICE] + facts.leg[j, facts.item[after, JOB]])


@compiled
def _way(facts: Facts, s: int, before: int, after: int) -> float:
    """Cost of the way from an item to the next (-1: base)."""
    if before < 0:
        return float(facts.out_cost[s, facts.item[after, JOB]]) if after >= 0 else 0.0
    if after < 0:
        return float(facts.home_cost[s, facts.item[before, JOB]])
    return float(facts.way[facts.shift[s, PRICES], facts.item[before, JOB], facts.item[after, JOB]])


@compiled
def _driven(facts: Facts, s: int, before: int, after: int) -> int:
    if before < 0:
        return int(facts.out[s, facts.item[after, JOB]]) if after >= 0 else 0
    if after < 0:
        return int(facts.home[s, facts.item[before, JOB]])
    return int(facts.drive[facts.item[before, JOB], facts.item[after, JOB]])


@compiled
def _worth_the_way(share: float, driven: int, worked: int, due: int) -> bool:
    return share < 0 or due > 0 or driven <= share * worked


@compiled
def round_cost(facts: Facts, s: int, items: I64, count: int, labels: I32) -> float:
    """Cost of the items in this order on crew-day s, lateness of whole jobs included; infinite when it cannot be.

    labels: room for three lists of labels.
    """
    shift, rule = facts.shift, facts.rule
    driven = worked = due = head = service = 0
    total = float(facts.money[s, GOING])
    for place in range(count):
        item = items[place]
        j = facts.item[item, JOB]
        for other in range(place):
            if facts.item[items[other], JOB] == j:
                return np.inf
        if facts.job[j, FINAL] == 1 and place < count - 1:
            return np.inf
        before = items[place - 1] if place > 0 else -1
        driven += _driven(facts, s, before, item)
        total += _way(facts, s, before, item) + facts.price[s, item]
        worked += facts.item[item, WORK]
        service += facts.item[item, SERVICE]
        head += facts.item[item, HEAD]
        due += facts.due[s, j]
    last = items[count - 1] if count > 0 else -1
    if count == 0 or head > facts.shift[s, MOST_HEAD]:
        return np.inf
    if not _worth_the_way(facts.share, driven + _driven(facts, s, last, -1), worked, due):
        return np.inf
    total += _way(facts, s, last, -1)
    earliest, after_lunch, longest = shift[s, EARLIEST], shift[s, AFTER_LUNCH], shift[s, LONGEST]
    here, other_row = 0, 1
    many, backs = _base_labels(facts, s, labels[0], labels[2])
    before = -1
    for place in range(count):
        item = items[place]
        leg = _leg(facts, s, before, item)
        many = _forward(
            labels[here], many, leg, facts.openings[s, item], earliest, after_lunch, longest, rule, labels[other_row]
        )
        if many == 0:
            return np.inf
        here, other_row = other_row, here
        before = item
    leg = _leg(facts, s, before, -1)
    away = _least_away(labels[here], many, leg, labels[2], backs, earliest, after_lunch, longest, rule)
    return np.inf if away == _NEVER else total + facts.money[s, IDLE] * (away - service)


# ---- the rounds of a plan under way ----------------------------------------------------------------------------------


@compiled
def _name_round(facts: Facts, st: State, s: int) -> None:
    """A hash of the crew-day's visits in their order."""
    name = np.uint64(s + 1)
    for place in range(st.stops[s]):
        name = _mixed(name, facts.name[st.route[s, place]])
    st.name[s] = name
    st.fresh[s] = 0


@compiled
def _refresh(facts: Facts, st: State, s: int) -> None:
    """Labels and sums of the crew-day's round as it is."""
    if st.fresh[s] == 1:
        return
    st.fresh[s] = 1
    shift, rule = facts.shift, facts.rule
    earliest, after_lunch, longest = shift[s, EARLIEST], shift[s, AFTER_LUNCH], shift[s, LONGEST]
    count = st.stops[s]
    st.fores[s, 0], st.backs[s, count] = _base_labels(facts, s, st.fore[s, 0], st.back[s, count])
    st.sum[s, :] = 0
    st.ways[s] = 0.0
    before = -1
    for place in range(count):
        item = st.route[s, place]
        j = facts.item[item, JOB]
        leg = _leg(facts, s, before, item)
        st.fores[s, place + 1] = _forward(
            st.fore[s, place],
            st.fores[s, place],
            leg,
            facts.openings[s, item],
            earliest,
            after_lunch,
            longest,
            rule,
            st.fore[s, place + 1],
        )
        st.sum[s, _DRIVEN] += _driven(facts, s, before, item)
        st.sum[s, _WORKED] += facts.item[item, WORK]
        st.sum[s, _DUE] += facts.due[s, j]
        st.sum[s, _HEADS] += facts.item[item, HEAD]
        st.sum[s, _LEGS] += leg
        st.ways[s] += _way(facts, s, before, item) + facts.price[s, item]
        before = item
    if count > 0:
        st.sum[s, _DRIVEN] += _driven(facts, s, before, -1)
        st.sum[s, _LEGS] += _leg(facts, s, before, -1)
        st.ways[s] += _way(facts, s, before, -1)
    after = -1
    for place in range(count - 1, -1, -1):
        item = st.route[s, place]
        st.backs[s, place] = _backward(
            st.back[s, place + 1],
            st.backs[s, place + 1],
            _leg(facts, s, item, after),
            facts.openings[s, item],
            longest,
            rule,
            st.back[s, place],
        )
        after = item


@compiled
def _cost_now(facts: Facts, st: State, s: int) -> float:
    """Cost of the crew-day's round as it is; 0 for none, infinite when it cannot be."""
    if st.stops[s] == 0:
        return 0.0
    slot = np.int64(st.name[s] & np.uint64(len(st.priced_name) - 1))
    if st.priced_name[slot] == st.name[s]:
        return float(st.priced_cost[slot])
    cost = round_cost(facts, s, st.route[s], st.stops[s], st.mid)
    st.priced_name[slot], st.priced_cost[slot] = st.name[s], cost
    return cost


@compiled
def _best_place(  # noqa: C901 -- one loop, for the compiler
    facts: Facts, st: State, s: int, item: int
) -> tuple[float, int]:
    """(cost of the round with the item put in where that is cheapest, place); infinite when it cannot be."""
    openings = facts.openings[s, item]
    if openings[0, 0] > openings[0, 1]:
        return np.inf, -1
    share = -1.0 if st.number[LOOSE] == 1 else facts.share
    name = _mixed(st.name[s] + np.uint64(st.number[LOOSE]), facts.name[item] ^ np.uint64(0x5851F42D4C957F2D))
    slot = np.int64(name & np.uint64(len(st.memory_name) - 1))
    if st.memory_name[slot] == name:
        return float(st.memory_cost[slot]), int(st.memory_place[slot])
    _refresh(facts, st, s)
    shift, rule = facts.shift, facts.rule
    earliest, after_lunch, longest = shift[s, EARLIEST], shift[s, AFTER_LUNCH], shift[s, LONGEST]
    count, j = st.stops[s], facts.item[item, JOB]
    going, idle = facts.money[s, GOING], facts.money[s, IDLE]
    service = facts.item[item, SERVICE]
    worked, head = st.sum[s, _WORKED] + facts.item[item, WORK], st.sum[s, _HEADS] + facts.item[item, HEAD]
    due = st.sum[s, _DUE] + facts.due[s, j]
    served = service
    for place in range(count):
        served += facts.item[st.route[s, place], SERVICE]
    best, best_place = np.inf, -1
    first_place = 0
    if facts.job[j, FINAL] == 1:
        first_place = count
    end_place = count + 1
    if count > 0 and facts.job[facts.item[st.route[s, count - 1], JOB], FINAL] == 1:
        end_place = count
    if count + 1 >= st.route.shape[1] or head > shift[s, MOST_HEAD]:
        end_place = 0
    for place in range(first_place, end_place):
        before = st.route[s, place - 1] if place > 0 else -1
        after = st.route[s, place] if place < count else -1
        leg, next_leg, old_leg = (
            _leg(facts, s, before, item),
            _leg(facts, s, item, after),
            _leg(facts, s, before, after),
        )
        legs = st.sum[s, _LEGS] + leg + next_leg - old_leg
        if legs > longest:
            continue
        ways = st.ways[s] + _way(facts, s, before, item) + _way(facts, s, item, after) - _way(facts, s, before, after)
        ways += going + facts.price[s, item]
        if ways + idle * (legs - served) >= best:
            continue
        driven = st.sum[s, _DRIVEN] + _driven(facts, s, before, item) + _driven(facts, s, item, after)
        if not _worth_the_way(share, driven - _driven(facts, s, before, after), worked, due):
            continue
        mids = _forward(
            st.fore[s, place], st.fores[s, place], leg, openings, earliest, after_lunch, longest, rule, st.mid[0]
        )
        if mids == 0:
            continue
        away = _least_away(
            st.mid[0],
            mids,
            next_leg,
            st.back[s, place],
            st.backs[s, place],
            earliest,
            after_lunch,
            longest,
            rule,
        )
        if away == _NEVER:
            continue
        cost = ways + idle * (away - served)
        if cost < best:
            best, best_place = cost, place
    st.memory_name[slot], st.memory_cost[slot], st.memory_place[slot] = name, best, best_place
    return best, best_place


@compiled
def _touch(st: State, s: int) -> None:
    """Remember how the crew-day was before the step."""
    if st.touched[s] == 1:
        return
    st.touched[s] = 1
    st.touches[st.number[TOUCHED]] = s
    st.number[TOUCHED] += 1
    st.old_stops[s], st.old_name[s], st.old_cost[s] = st.stops[s], st.name[s], st.cost[s]
    for place in range(st.stops[s]):
        st.old_route[s, place] = st.route[s, place]


@compiled
def _take_out(facts: Facts, st: State, j: int) -> None:
    """Take all visits to the job out; their rounds still have to be settled."""
    for part in range(st.parts[j]):
        s, item = st.at[j, part, 0], st.at[j, part, 1]
        _touch(st, s)
        place = 0
        while st.route[s, place] != item:
            place += 1
        st.stops[s] -= 1
        for later in range(place, st.stops[s]):
            st.route[s, later] = st.route[s, later + 1]
        st.name[s] = np.uint64(0)
    st.parts[j] = 0
    st.open[st.number[OPEN]] = j
    st.number[OPEN] += 1


@compiled
def _settle(facts: Facts, st: State) -> None:
    """Names and costs of the rounds things were taken out of; one that cannot be any more is emptied."""
    again = True
    while again:
        again = False
        for at in range(st.number[TOUCHED]):
            s = st.touches[at]
            if st.name[s] == np.uint64(0):
                _name_round(facts, st, s)
                st.cost[s] = _cost_now(facts, st, s)
                if st.cost[s] == np.inf:
                    again = True
                    while st.stops[s] > 0:
                        _take_out(facts, st, facts.item[st.route[s, 0], JOB])


@compiled
def _put_in(facts: Facts, st: State, s: int, item: int) -> None:
    """Put the item where it is cheapest in the crew-day's round."""
    cost, place = _best_place(facts, st, s, item)
    _touch(st, s)
    for later in range(st.stops[s], place, -1):
        st.route[s, later] = st.route[s, later - 1]
    st.route[s, place] = item
    st.stops[s] += 1
    st.cost[s] = cost
    _name_round(facts, st, s)
    if st.number[LOOSE] == 0:
        slot = np.int64(st.name[s] & np.uint64(len(st.priced_name) - 1))
        st.priced_name[slot], st.priced_cost[slot] = st.name[s], cost
    j = facts.item[item, JOB]
    st.at[j, st.parts[j], 0], st.at[j, st.parts[j], 1] = s, item
    st.parts[j] += 1


@compiled
def _cheapest_split(  # noqa: C901 -- one loop, for the compiler
    facts: Facts, st: State, chance: U64, j: int, blink: float
) -> float:
    """Cost of putting the job in by two parts or more, lateness included; the parts are left in place_at, -1 after
    the last. Each crew-day in turn gets a part or none: a recursion over the work left, the parts made and those of
    the day."""
    split, origin = st.split, st.split_from
    shifts, steps, most = len(st.stops), facts.job[j, ALL_STEPS], facts.rule[MOST_PARTS]
    at_once = min(facts.job[j, AT_ONCE], split.shape[2] - 1)
    sparse = facts.job[j, SPARSE]
    best, best_parts, best_today, best_shift, best_item = np.inf, 0, 0, -1, -1
    split[0, : most + 1, : at_once + 1, : steps + 1] = np.inf
    split[0, 0, 0, steps] = 0.0
    for s in range(shifts):
        day = facts.shift[s, DAY]
        new_day = s > 0 and facts.shift[s - 1, DAY] != day
        for parts in range(most + 1):
            for left in range(steps + 1):
                if new_day:
                    least, at = np.inf, 0
                    for today in range(at_once + 1):
                        if split[s, parts, today, left] < least:
                            least, at = split[s, parts, today, left], today
                    split[s + 1, parts, 0, left] = least
                    origin[s + 1, parts, 0, left, 0], origin[s + 1, parts, 0, left, 1] = -1, at
                    for today in range(1, at_once + 1):
                        split[s + 1, parts, today, left] = np.inf
                else:
                    for today in range(at_once + 1):
                        split[s + 1, parts, today, left] = split[s, parts, today, left]
                        origin[s + 1, parts, today, left, 0], origin[s + 1, parts, today, left, 1] = -1, today
        if blink > 0 and _share(chance) < blink:
            continue
        for item in range(facts.job[j, END_ITEM] - 1, facts.job[j, FIRST_ITEM] - 1, -1):  # the smallest first
            size = facts.item[item, STEPS]
            if size >= steps or size == 0 or (size % sparse != 0 and size % sparse != steps % sparse):
                continue
            with_it, _ = _best_place(facts, st, s, item)
            if with_it == np.inf:
                continue
            added = with_it - st.cost[s]
            for parts in range(most):
                for today in range(at_once):
                    for left in range(size, steps + 1):
                        before = split[s, parts, today, left]
                        came = today
                        if new_day:
                            if today > 0:
                                continue
                            for t in range(at_once + 1):
                                if split[s, parts, t, left] < before:
                                    before, came = split[s, parts, t, left], t
                        if before == np.inf:
                            continue
                        cost = before + added
                        if left == size:
                            if cost + facts.late[j, day] < best:
                                best = cost + facts.late[j, day]
                                best_parts, best_today, best_shift, best_item = parts, came, s, item
                        elif cost < split[s + 1, parts + 1, today + 1, left - size]:
                            split[s + 1, parts + 1, today + 1, left - size] = cost
                            origin[s + 1, parts + 1, today + 1, left - size, 0] = item
                            origin[s + 1, parts + 1, today + 1, left - size, 1] = came
    if best == np.inf:
        return np.inf
    st.place_at[0, 0], st.place_at[0, 1] = best_shift, best_item
    made, s, parts, today = 1, best_shift, best_parts, best_today
    left = facts.item[best_item, STEPS]
    while parts > 0:
        item = origin[s, parts, today, left, 0]
        came = origin[s, parts, today, left, 1]
        s -= 1
        if item >= 0:
            st.place_at[made, 0], st.place_at[made, 1] = s, item
            made += 1
            parts -= 1
            left += facts.item[item, STEPS]
        today = came
    st.place_at[made, 0] = -1
    return best


@compiled
def _insert(facts: Facts, st: State, chance: U64, j: int, blink: float, eager: float) -> bool:
    """Put the job in the cheapest way, in parts too, if that costs less than leaving it out; crew-days are blinked
    at, and missed, with some chance. eager: how much of the cost of leaving base on an idle day is overlooked."""
    best, best_shift, dear = np.inf, -1, np.inf
    whole = facts.job[j, WHOLE_ITEM]
    if whole >= 0:
        for s in range(len(st.stops)):
            if facts.openings[s, whole, 0, 0] > facts.openings[s, whole, 0, 1]:
                continue
            if blink > 0 and _share(chance) < blink:
                continue
            with_it, _ = _best_place(facts, st, s, whole)
            added = with_it - st.cost[s]
            if added < dear:
                dear, best_shift = added, s
                best = added - (eager * facts.money[s, GOING] if st.stops[s] == 0 else 0.0)
    if facts.job[j, ALL_STEPS] > 0:
        split = _cheapest_split(facts, st, chance, j, blink)
        if split < dear:
            discount = 0.0
            part = 0
            while st.place_at[part, 0] >= 0:
                s = st.place_at[part, 0]
                discount += eager * facts.money[s, GOING] if st.stops[s] == 0 else 0.0
                part += 1
            if split - discount < facts.worth[j]:
                part = 0
                while st.place_at[part, 0] >= 0:
                    _put_in(facts, st, st.place_at[part, 0], st.place_at[part, 1])
                    part += 1
                return True
            return False
    if best < facts.worth[j]:
        _put_in(facts, st, best_shift, whole)
        return True
    return False


# ---- the search ------------------------------------------------------------------------------------------------------


@compiled
def _take_string(facts: Facts, st: State, chance: U64, s: int, j: int, longest: int) -> None:
    """Take out the jobs of some stops in a row, that of job j among them; or but for some kept in their middle."""
    count = st.stops[s]
    place = 0
    while facts.item[st.route[s, place], JOB] != j:
        place += 1
    long = 1 + _below(chance, min(longest, count))
    kept = 0
    while long > 1 and long + kept < count and _share(chance) < 0.3:
        kept += 1
    window = long + kept
    first = place - _below(chance, min(window, place + 1))
    first = max(0, min(first, count - window))
    skip_from = first + _below(chance, long + 1) if kept > 0 else first + window
    taken = 0
    for at in range(first, first + window):
        if kept > 0 and skip_from <= at < skip_from + kept and at != place:
            continue
        st.place_at[taken, 1] = facts.item[st.route[s, at], JOB]
        taken += 1
    for at in range(taken):
        _take_out(facts, st, st.place_at[at, 1])


@compiled
def _ruin(  # noqa: C901 -- one loop, for the compiler
    facts: Facts, st: State, chance: U64
) -> int:
    """Take jobs out that lie near each other; the job it began with (slack induction by string removals:
    Christiaens, Vanden Berghe 2020; whole rounds; single jobs)."""
    jobs, shifts = len(st.parts), len(st.stops)
    seed = _below(chance, jobs)
    placed = used = 0
    for s in range(shifts):
        placed += st.stops[s]
        used += 1 if st.stops[s] > 0 else 0
    if placed == 0:
        return seed
    mean = max(1, round(placed / used))
    wanted = st.value[REMOVED]
    kind = _share(chance)
    if kind < 0.12:  # the nearest jobs, each with some chance
        count = 1 + _below(chance, round(1.5 * wanted))
        for at in range(jobs):
            j = facts.near[seed, at]
            if st.parts[j] > 0 and _share(chance) < 0.75:
                _take_out(facts, st, j)
                count -= 1
                if count <= 0:
                    break
        return seed
    longest = min(10, mean)
    strings = max(1.0, 4.0 * wanted / (1 + longest) - 1.0)
    count = 1 + int(_share(chance) * strings)
    if kind < 0.3:  # whole rounds
        longest = 64
        count = 1 + int(_share(chance) * max(1.0, min(3.0, 2.0 * wanted / mean)))
    step = st.number[STEP]
    for at in range(jobs):
        j = facts.near[seed, at]
        parts = st.parts[j]
        if parts == 0:
            continue
        s = st.at[j, _below(chance, parts), 0]
        if st.ruined[s] == step:
            continue
        st.ruined[s] = step
        if longest == 64:
            while st.stops[s] > 0:
                _take_out(facts, st, facts.item[st.route[s, 0], JOB])
        else:
            _take_string(facts, st, chance, s, j, longest)
        count -= 1
        if count <= 0:
            break
    return seed


@compiled
def _order(facts: Facts, st: State, chance: U64, seed: int) -> None:
    """Sort the open jobs into the order to put them in: by one of several keys, confirmed visits first."""
    kind = _below(chance, 12)
    count = st.number[OPEN]
    for at in range(count):
        j = st.open[at]
        size = facts.item[facts.job[j, FIRST_ITEM], SERVICE]
        if kind < 4:
            key = _share(chance)
        elif kind < 7:
            key = -size * (0.8 + 0.4 * _share(chance))
        elif kind < 8:
            key = -facts.worth[j] * (0.8 + 0.4 * _share(chance))
        elif kind < 9:
            key = -facts.worth[j] / size * (0.8 + 0.4 * _share(chance))
        elif kind < 10:
            key = facts.job[j, CHOICES] * (0.8 + 0.4 * _share(chance))
        elif kind < 11:
            key = float(facts.leg[seed, j]) if j != seed else -1.0
        else:
            key = -float(facts.out[_below(chance, len(facts.out)), j])
        st.key[j] = key - (1e9 if facts.job[j, FIXED] == 1 else 0.0)
    for at in range(1, count):
        j = st.open[at]
        place = at
        while place > 0 and st.key[st.open[place - 1]] > st.key[j]:
            st.open[place] = st.open[place - 1]
            place -= 1
        st.open[place] = j


@compiled
def _fill(facts: Facts, st: State, chance: U64, blink: float, eager: float) -> None:
    """Put the open jobs in, in their order."""
    for at in range(st.number[OPEN]):
        j = st.open[at]
        if st.parts[j] == 0:
            _insert(facts, st, chance, j, blink, eager)


@compiled
def _drop(facts: Facts, st: State) -> None:
    """Leave out again what costs more than it is worth, of the rounds touched: single visits, and rounds."""
    for at in range(st.number[TOUCHED]):
        s = st.touches[at]
        worth, whole = 0.0, True
        for place in range(st.stops[s]):
            j = facts.item[st.route[s, place], JOB]
            worth += facts.worth[j]
            whole = whole and st.parts[j] == 1
        if whole and st.stops[s] > 0 and st.cost[s] > worth + 1e-9:
            while st.stops[s] > 0:
                _take_out(facts, st, facts.item[st.route[s, 0], JOB])
            _name_round(facts, st, s)
            st.cost[s] = 0.0
            continue
        place = 0
        while place < st.stops[s]:
            item = st.route[s, place]
            j = facts.item[item, JOB]
            if st.parts[j] == 1 and st.stops[s] > 1:
                for later in range(place, st.stops[s] - 1):
                    st.route[s, later] = st.route[s, later + 1]
                st.stops[s] -= 1
                name = st.name[s]
                _name_round(facts, st, s)
                cost = _cost_now(facts, st, s)
                if st.cost[s] - cost > facts.worth[j] + 1e-9:
                    st.cost[s] = cost
                    st.parts[j] = 0
                    st.open[st.number[OPEN]] = j
                    st.number[OPEN] += 1
                    continue
                for later in range(st.stops[s], place, -1):
                    st.route[s, later] = st.route[s, later - 1]
                st.route[s, place] = item
                st.stops[s] += 1
                st.name[s] = name
            place += 1


@compiled
def plan_cost(facts: Facts, st: State) -> float:
    """Cost of the plan under way."""
    total = 0.0
    for s in range(len(st.stops)):
        total += st.cost[s]
    for j in range(len(st.parts)):
        if st.parts[j] == 0:
            total += facts.worth[j]
        elif st.parts[j] > 1:
            last = 0
            for part in range(st.parts[j]):
                last = max(last, facts.shift[st.at[j, part, 0], DAY])
            total += facts.late[j, last]
    return total


@compiled
def _undo(facts: Facts, st: State) -> None:
    """Back to how it was before the step."""
    step = st.number[STEP]
    for at in range(st.number[OPEN]):
        st.changed[st.open[at]] = step
        st.parts[st.open[at]] = 0
    for at in range(st.number[TOUCHED]):
        s = st.touches[at]
        st.stops[s], st.name[s], st.cost[s], st.fresh[s] = st.old_stops[s], st.old_name[s], st.old_cost[s], 0
        for place in range(st.stops[s]):
            item = st.old_route[s, place]
            st.route[s, place] = item
            j = facts.item[item, JOB]
            if st.changed[j] == step:
                st.at[j, st.parts[j], 0], st.at[j, st.parts[j], 1] = s, item
                st.parts[j] += 1


@compiled
def _remember(facts: Facts, st: State, rounds: Rounds, s: int, score: float) -> None:
    """Keep the crew-day's round among the rounds met."""
    if st.stops[s] == 0:
        return
    total = np.uint64(0)
    for place in range(st.stops[s]):
        total += facts.name[st.route[s, place]]
    name = _mixed(total, np.uint64(s + 1))
    slots = np.uint64(len(rounds.name) - 1)
    slot = np.int64(name & slots)
    while rounds.stops[slot] > 0 and rounds.name[slot] != name:
        slot = np.int64(np.uint64(slot + 1) & slots)
    if rounds.stops[slot] == 0:
        if rounds.filled[0] * 4 >= len(rounds.name) * 3:
            return
        rounds.filled[0] += 1
        rounds.name[slot], rounds.score[slot], rounds.cost[slot] = name, np.inf, np.inf
        rounds.shift[slot], rounds.stops[slot] = s, st.stops[s]
    if score < rounds.score[slot]:
        rounds.score[slot] = score
    if st.cost[s] < rounds.cost[slot]:
        rounds.cost[slot] = st.cost[s]
        for place in range(st.stops[s]):
            rounds.items[slot, place] = st.route[s, place]


@compiled
def _begin(st: State) -> None:
    """A new step: what is open, and nothing touched."""
    for at in range(st.number[TOUCHED]):
        st.touched[st.touches[at]] = 0
    st.number[TOUCHED] = 0
    st.number[OPEN] = 0
    st.number[STEP] += 1
    for j in range(len(st.parts)):
        if st.parts[j] == 0:
            st.open[st.number[OPEN]] = j
            st.number[OPEN] += 1


@compiled
def _keep_if_best(st: State, rounds: Rounds, facts: Facts) -> None:
    if st.value[CURRENT] >= st.value[BEST] - 1e-9:
        return
    st.value[BEST] = st.value[CURRENT]
    for s in range(len(st.stops)):
        st.best_stops[s] = st.stops[s]
        for place in range(st.stops[s]):
            st.best_route[s, place] = st.route[s, place]
        _remember(facts, st, rounds, s, st.value[BEST])


@compiled
def load(facts: Facts, st: State, rounds: Rounds) -> float:
    """Take over the plan in best_route as the one under way; its cost, infinite when one of its rounds cannot be."""
    st.parts[:] = 0
    st.touched[:] = 0
    st.number[TOUCHED] = 0
    for s in range(len(st.stops)):
        st.stops[s] = st.best_stops[s]
        for place in range(st.stops[s]):
            item = st.best_route[s, place]
            j = facts.item[item, JOB]
            st.route[s, place] = item
            st.at[j, st.parts[j], 0], st.at[j, st.parts[j], 1] = s, item
            st.parts[j] += 1
        _name_round(facts, st, s)
        st.cost[s] = _cost_now(facts, st, s)
    st.value[CURRENT] = plan_cost(facts, st)
    st.value[BEST] = st.value[CURRENT]
    for s in range(len(st.stops)):
        _remember(facts, st, rounds, s, st.value[BEST])
    return float(st.value[CURRENT])


@compiled
def first_plan(facts: Facts, st: State, rounds: Rounds, chance: U64) -> None:
    """Put in what is open, the dearest first, with no regard for what it costs to leave base; then drop what is too
    dear."""
    _begin(st)
    for at in range(st.number[OPEN]):
        j = st.open[at]
        st.key[j] = -facts.worth[j] - (1e12 if facts.job[j, FIXED] == 1 else 0.0)
    for at in range(1, st.number[OPEN]):
        j = st.open[at]
        place = at
        while place > 0 and st.key[st.open[place - 1]] > st.key[j]:
            st.open[place] = st.open[place - 1]
            place -= 1
        st.open[place] = j
    _fill(facts, st, chance, 0.0, 1.0)
    _drop(facts, st)
    _fill(facts, st, chance, 0.0, 0.0)
    st.value[CURRENT] = plan_cost(facts, st)
    _keep_if_best(st, rounds, facts)


@compiled
def search(facts: Facts, st: State, rounds: Rounds, chance: U64, steps: int) -> None:
    """So many steps of ruin and recreate under simulated annealing, in cycles that grow longer and each begin with
    the best plan."""
    for _ in range(steps):
        if st.number[CYCLE] >= st.number[CYCLE_END]:
            st.number[CYCLE] = 0
            st.number[CYCLE_END] = st.number[CYCLE_END] * 3 // 2
            load(facts, st, rounds)
        warmth = st.number[CYCLE] / st.number[CYCLE_END]
        st.value[HEAT] = st.value[HOT] * (st.value[COLD] / st.value[HOT]) ** warmth
        st.number[CYCLE] += 1
        _begin(st)
        seed = _ruin(facts, st, chance)
        _settle(facts, st)
        _order(facts, st, chance, seed)
        eager = 1.0 if _share(chance) < 0.15 else 0.0
        loose = facts.share >= 0 and _share(chance) < 0.3
        if loose:
            st.number[LOOSE] = 1
        _fill(facts, st, chance, 0.02, eager)
        if loose:
            st.number[LOOSE] = 0
            for at in range(st.number[TOUCHED]):
                st.name[st.touches[at]] = np.uint64(0)
            _settle(facts, st)
            _fill(facts, st, chance, 0.0, 0.0)
        if eager > 0 or _share(chance) < 0.25:
            _drop(facts, st)
        cost = plan_cost(facts, st)
        if cost < st.value[BEST] + 0.03 * abs(st.value[BEST]):
            for at in range(st.number[TOUCHED]):
                _remember(facts, st, rounds, st.touches[at], cost)
        if cost < st.value[CURRENT] - st.value[HEAT] * np.log(max(_share(chance), 1e-12)):
            st.value[CURRENT] = cost
            _keep_if_best(st, rounds, facts)
        else:
            _undo(facts, st)

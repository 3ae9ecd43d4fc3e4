"""Labels of one crew-day grown stop by stop, in the order of their hours: the inner loops of labelling.

A label's hours are a function of the leaving time D: work at its last stop starts at max(early, D + offset), and D is
at most latest leaving `leave`; offset is never less than early - leave, so that it is also the least time away. Value
is the cost but for the time away, less the prices of what was visited.

Labels are rows: STATE holds whole numbers, COSTS [value, cost but for time away]. Those that end up at the same job
compete once their hours have come: a label is dropped when another one is as good in every respect and has visited, or
can no longer reach, no job that this one has not (Feillet, Dejax, Gendreau, Gueguen 2004). With neighbourhoods (ng),
a label forgets jobs far from where it goes, so that rounds may come back to them and the least reduced cost is at most
the true one (Baldacci, Mingozzi, Roberti 2011).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from .arrays import Floats, Ints
from .machine import compiled

type Words = npt.NDArray[np.uint64]
type Longs = npt.NDArray[np.int64]

SLOT, EARLY, OFFSET, LEAVE, FED, PARENT, NEXT, DRIVE, WORK, DUE, HEAD = range(11)
_STATE = 11
HUNGRY, FED_OUT, FED_AT_BASE = 0, 1, 2
"""Lunch: still to be had; had on the way; had at base before leaving."""

HARSH, FAIR, ALL_ROUND = 0, 1, 2
"""Which labels at the same job compete: by their cost alone; by all but what they have visited; by all."""

_TINY = 1e-9
_WIDE = 64
"""Dominating labels looked at for each label, at the most, when only sets that are equal compete."""


@compiled
def home_cost(early: int, offset: int, leave: int, fed: int, leg: int, clock: Longs, idle: float) -> float:
    """Least cost of the time away when driving home now, `leg` minutes from the start of the last stop; infinite when
    that cannot be."""
    latest, longest, lunch, lunch_from, lunch_to = clock[1], clock[2], clock[3], clock[4], clock[5]
    best = np.inf
    end, away = early + leg, offset + leg
    last = min(leave, latest - away)
    if end <= latest and (fed != 0 or end <= lunch_to):
        if fed == 0:  # lunch at base after the return
            last = min(last, lunch_to - away)
        away = max(end - last, away)
        if away <= longest:
            best = idle * away
    if fed == 0 and early <= lunch_to:  # lunch on the way home
        end, away = max(early + leg, lunch_from) + lunch, offset + leg + lunch
        if end <= latest:
            away = max(end - min(leave, lunch_to - offset, latest - away), away)
            if away <= longest:
                best = min(best, idle * (away - lunch))
    return best


@compiled
def still(
    job: int,
    early: int,
    offset: int,
    leave: int,
    fed: int,
    service: int,
    clock: Longs,
    idle: float,
    grid: int,
    back_by: Longs,
    later: npt.NDArray[np.float64],
    now: npt.NDArray[np.float64],
    over: npt.NDArray[np.float64],
    left: npt.NDArray[np.float64],
) -> float:
    """The most that can be gained after the stop whose work starts now."""
    begin, latest, longest, lunch, lunch_from, lunch_to = clock[0], clock[1], clock[2], clock[3], clock[4], clock[5]
    ended = early + service
    tick = (ended - begin) // grid
    fixed = idle * (ended - begin - tick * grid)
    free = fixed + idle * max(0, leave + offset - early)  # waiting that a later start at base would take away
    by = min(latest, leave + longest)
    r = 0
    while r < len(back_by) - 1 and back_by[r] < by:
        r += 1
    if fed != 0 or lunch == 0:
        most = min(over[tick, job, r, 1] + fixed, over[tick, job, r, 0] + free)
    else:
        most = min(later[tick, job, r, 1] + fixed, later[tick, job, r, 0] + free)
        if early <= lunch_to:
            most = max(most, min(now[tick, job, r, 1] + fixed, now[tick, job, r, 0] + free))
    rest = longest - offset - service
    if fed == 0 and lunch > 0:
        spare = max(latest - lunch_from - lunch, lunch_to - begin)
        rest = max(rest - lunch, min(spare, longest) - offset - service)
    if rest < 0:
        return -1e12
    step = min(-(-rest // grid), len(left) - 1)
    return float(min(most, left[step, job]))


@compiled
def grow(  # noqa: C901 -- one loop, for the compiler
    clock: Longs,
    slots: Ints,
    hashes: Words,
    prices: Floats,
    late: Floats,
    leg: Ints,
    drive: Ints,
    soon: Ints,
    way: Floats,
    out: Ints,
    home: Ints,
    soon_home: Ints,
    out_cost: Floats,
    home_costs: Floats,
    back_by: Longs,
    grid: int,
    later: npt.NDArray[np.float64],
    now: npt.NDArray[np.float64],
    over: npt.NDArray[np.float64],
    left: npt.NDArray[np.float64],
    near: Words,
    base: float,
    idle: float,
    below: float,
    share: float,
    most_head: int,
    equal: bool,
    rivalry: int,
    most_labels: int,
    most_found: int,
    halt: npt.NDArray[np.uint8],
) -> tuple[Ints, Words, Ints, Floats, bool]:
    """(state and items of all labels, found labels, [reduced cost, cost] of each, whether nothing was missed).

    near: the neighbourhoods, a row of words for each job (all ones: rounds visit no job twice). base: cost of leaving
    base less the crew-day's price. share: most driving for each minute of work unless something is due; negative: any.
    most_head: of a round; 2^31 - 1: any number. equal: only labels with the same visits compete (to list all rounds);
    else rivalry says how: ALL_ROUND, or FAIR or HARSH, which are quicker and may miss rounds. below: wanted reduced
    cost. Ends early with more than `most_labels` labels or `most_found` rounds, or when halt[0] is set.
    """
    jobs, count = len(home), len(slots)
    words = near.shape[1]
    latest, longest, lunch, lunch_from, lunch_to, after_lunch = (
        clock[1],
        clock[2],
        clock[3],
        clock[4],
        clock[5],
        clock[6],
    )
    earliest = clock[0]
    size = 4096
    head = 0
    state = np.empty((size, _STATE), dtype=np.int32)
    masks = np.empty((size, words), dtype=np.uint64)
    items = np.empty(size, dtype=np.uint64)
    costs = np.empty((size, 2), dtype=np.float64)
    labels = 0
    heads = np.full(latest + 2, -1, dtype=np.int32)
    found = np.empty(1024, dtype=np.int32)
    prices_found = np.empty((1024, 2), dtype=np.float64)
    many = 0
    last_start = np.full(jobs, -1, dtype=np.int64)
    least = np.full(jobs, 1 << 30, dtype=np.int64)
    for s in range(count):
        last_start[slots[s, 0]] = max(last_start[slots[s, 0]], slots[s, 2])
        least[slots[s, 0]] = min(least[slots[s, 0]], slots[s, 3])
    # the labels whose hours have come, by job or by visits
    room = 64
    rivals = np.empty((jobs, room, 4), dtype=np.int32)
    rival_costs = np.empty((jobs, room), dtype=np.float64)
    rival_masks = np.empty((jobs, room, words), dtype=np.uint64)
    have = np.zeros(jobs, dtype=np.int64)
    buckets = 1 << 18 if equal else 1
    table = np.full(buckets, -1, dtype=np.int32)
    chain = np.empty(size if equal else 1, dtype=np.int32)
    dearest = np.full((jobs, 2), np.inf)
    saved = idle * lunch
    whole = True
    limited = most_head < 2**31 - 1
    one = np.uint64(1)
    minute = 0
    current = -2  # -2: the first stops; else the label being extended
    mask = np.zeros(words, dtype=np.uint64)
    while True:
        if current == -2:
            i, fed, early, offset, leave, drove, worked, due, head = -1, 0, 0, 0, 0, 0, 0, 0, 0
            value, spent, item = 0.0, 0.0, np.uint64(0)
            service = 0
        else:
            # the next label whose hours have come
            while minute <= latest and heads[minute] < 0:
                minute += 1
                if minute & 15 == 0 and halt[0] != 0:
                    whole = False
                    minute = latest + 1
            if minute > latest:
                break
            current = heads[minute]
            heads[minute] = state[current, NEXT]
            s = state[current, SLOT]
            i, service = slots[s, 0], slots[s, 3]
            early, offset, leave = state[current, EARLY], state[current, OFFSET], state[current, LEAVE]
            fed, drove, worked, due = (
                state[current, FED],
                state[current, DRIVE],
                state[current, WORK],
                state[current, DUE],
            )
            head = state[current, HEAD]
            value, spent, item = costs[current, 0], costs[current, 1], items[current]
            mask[:] = masks[current]
            beaten = False
            if equal:
                slot_of_table = int(((item * np.uint64(0x9E3779B97F4A7C15)) >> np.uint64(32)) & np.uint64(buckets - 1))
                slot_of_table = (slot_of_table + i * 7919) & (buckets - 1)
                rival = table[slot_of_table]
                tries = 0
                while rival >= 0:
                    rival_fed = state[rival, FED]
                    if (
                        items[rival] == item
                        and slots[state[rival, SLOT], 0] == i
                        and state[rival, OFFSET] <= offset
                        and state[rival, LEAVE] >= leave
                        and (rival_fed != 0 or fed == 0)
                        and costs[rival, 0] + (saved if rival_fed != 0 and fed == 0 else 0.0) <= value + _TINY
                        and (share < 0 or state[rival, DRIVE] <= drove)
                    ):
                        beaten = True
                        break
                    rival = chain[rival]
                    tries += 1
                    if tries > _WIDE:
                        break
                if not beaten:
                    chain[current] = table[slot_of_table]
                    table[slot_of_table] = current
            elif rivalry == HARSH:
                so_far = value + idle * offset
                if fed != 0 and so_far < dearest[i, 1] - _TINY:
                    dearest[i, 1] = so_far
                    dearest[i, 0] = min(dearest[i, 0], so_far + saved)
                elif fed == 0 and so_far < dearest[i, 0] - _TINY:
                    dearest[i, 0] = so_far
                else:
                    beaten = True
            else:
                for k in range(have[i] - 1, -1, -1):
                    rival_fed = rivals[i, k, 2]
                    if (
                        rivals[i, k, 0] <= offset
                        and rivals[i, k, 1] >= leave
                        and rivals[i, k, 3] <= head
                        and (rival_fed != 0 or fed == 0)
                        and rival_costs[i, k] + (saved if rival_fed != 0 and fed == 0 else 0.0) <= value + _TINY
                    ):
                        beaten = True
                        if rivalry == ALL_ROUND:
                            for w in range(words):
                                if rival_masks[i, k, w] & ~mask[w] != 0:
                                    beaten = False
                                    break
                        if beaten:
                            break
                if not beaten:
                    if have[i] == room:
                        wider = np.empty((jobs, 2 * room, 4), dtype=np.int32)
                        wider[:, :room] = rivals
                        rivals = wider
                        wider_costs = np.empty((jobs, 2 * room), dtype=np.float64)
                        wider_costs[:, :room] = rival_costs
                        rival_costs = wider_costs
                        wider_masks = np.empty((jobs, 2 * room, words), dtype=np.uint64)
                        wider_masks[:, :room] = rival_masks
                        rival_masks = wider_masks
                        room *= 2
                    k = have[i]
                    rivals[i, k, 0], rivals[i, k, 1], rivals[i, k, 2], rivals[i, k, 3] = offset, leave, fed, head
                    rival_costs[i, k] = value
                    rival_masks[i, k] = mask
                    have[i] += 1
            if beaten:
                continue
            # home
            if share < 0 or due != 0 or drove + home[i] <= share * worked:
                away = home_cost(early, offset, leave, fed, service + home[i], clock, idle)
                if base + value + home_costs[i] + away < below:
                    if many == len(found):
                        if many >= most_found:
                            whole = False
                            break
                        more = np.empty(2 * many, dtype=np.int32)
                        more[:many] = found
                        found = more
                        more_prices = np.empty((2 * many, 2), dtype=np.float64)
                        more_prices[:many] = prices_found
                        prices_found = more_prices
                    found[many] = current
                    prices_found[many, 0] = base + value + home_costs[i] + away
                    prices_found[many, 1] = spent + home_costs[i] + away
                    many += 1
            if slots[s, 5] != 0:
                continue
        if labels > most_labels:
            whole = False
            break
        # on to every next stop, without and with lunch on the way (from base: with lunch at base as well)
        parent = max(current, -1)
        for t in range(count):
            j = slots[t, 0]
            if i >= 0 and (i == j or (mask[j // 64] >> np.uint64(j % 64)) & one != 0):
                continue
            if head + slots[t, 7] > most_head:
                continue
            to = service + leg[i, j] if i >= 0 else out[j]
            first, last, long = slots[t, 1], slots[t, 2], slots[t, 3]
            for how in range(3):
                if how == 0:  # no lunch now
                    if i < 0:
                        early2, offset2, leave2, fed2 = earliest + to, to, latest, 0 if lunch > 0 else FED_AT_BASE
                    else:
                        early2, offset2, leave2, fed2 = early + to, offset + to, leave, fed
                elif how == 1:  # on the way
                    if lunch == 0 or fed != 0:
                        break
                    if i < 0:
                        early2, leave2 = max(earliest + to, lunch_from) + lunch, min(latest, lunch_to)
                    else:
                        if early > lunch_to:
                            break
                        early2, leave2 = max(early + to, lunch_from) + lunch, min(leave, lunch_to - offset)
                    offset2, fed2 = offset + to + lunch, FED_OUT
                else:  # at base before leaving
                    if i >= 0 or lunch == 0:
                        break
                    early2, offset2, leave2, fed2 = after_lunch + to, to, latest, FED_AT_BASE
                early2 = max(early2, first)
                if early2 > last:
                    continue
                leave2 = min(leave2, last - offset2)
                if leave2 < (after_lunch if fed2 == FED_AT_BASE and lunch > 0 else earliest):
                    continue
                offset2 = max(offset2, early2 - leave2)
                if offset2 + long + soon_home[j] > longest:
                    continue
                before = way[i, j] if i >= 0 else out_cost[j]
                plain = before - idle * long - (saved if how == 1 else 0.0)
                value2 = value + plain - prices[t]
                lowest = base + value2 + idle * (offset2 + long)
                lowest -= still(
                    j, early2, offset2, leave2, fed2, long, clock, idle, grid, back_by, later, now, over, left
                )
                if lowest >= below:
                    continue
                if labels == size:
                    wider_state = np.empty((2 * size, _STATE), dtype=np.int32)
                    wider_state[:size] = state
                    state = wider_state
                    wider_mask = np.empty((2 * size, words), dtype=np.uint64)
                    wider_mask[:size] = masks
                    masks = wider_mask
                    wider_items = np.empty(2 * size, dtype=np.uint64)
                    wider_items[:size] = items
                    items = wider_items
                    wider_costs2 = np.empty((2 * size, 2), dtype=np.float64)
                    wider_costs2[:size] = costs
                    costs = wider_costs2
                    if equal:
                        wider_chain = np.empty(2 * size, dtype=np.int32)
                        wider_chain[:size] = chain
                        chain = wider_chain
                    size *= 2
                state[labels, SLOT], state[labels, EARLY], state[labels, OFFSET] = t, early2, offset2
                state[labels, LEAVE], state[labels, FED], state[labels, PARENT] = leave2, fed2, parent
                if share >= 0:
                    state[labels, DRIVE] = drove + (drive[i, j] if i >= 0 else out[j])
                else:
                    state[labels, DRIVE] = 0
                state[labels, WORK], state[labels, DUE] = worked + slots[t, 4], due | slots[t, 6]
                state[labels, HEAD] = head + slots[t, 7] if limited else 0
                costs[labels, 0], costs[labels, 1] = value2, spent + plain + late[t]
                items[labels] = item + hashes[t]
                for w in range(words):
                    masks[labels, w] = mask[w] & near[j, w] if i >= 0 else np.uint64(0)
                masks[labels, j // 64] |= one << np.uint64(j % 64)
                if not equal and rivalry == ALL_ROUND:  # what cannot be reached any more need not be told apart
                    for k in range(jobs):
                        leg_k = long + soon[j, k]
                        if early2 + leg_k > last_start[k] or offset2 + leg_k + least[k] + soon_home[k] > longest:
                            masks[labels, k // 64] |= one << np.uint64(k % 64)
                state[labels, NEXT] = heads[early2]
                heads[early2] = labels
                labels += 1
        if current == -2:
            current = -1
    return state[:labels], items[:labels], found[:many], prices_found[:many], whole


@compiled
def paths(state: Ints, found: Ints, longest: int) -> tuple[Ints, Ints]:
    """(slots visited in order, -1 after the last; how many) of each found label."""
    slots = np.full((len(found), longest), -1, dtype=np.int32)
    lengths = np.zeros(len(found), dtype=np.int32)
    for row in range(len(found)):
        at, long = found[row], 0
        while at >= 0:
            long += 1
            at = state[at, PARENT]
        lengths[row] = long
        at = found[row]
        for place in range(long - 1, -1, -1):
            if place < longest:
                slots[row, place] = state[at, SLOT]
            at = state[at, PARENT]
    return slots, lengths

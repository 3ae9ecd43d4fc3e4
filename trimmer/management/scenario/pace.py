"""What the night before made of the visits recorded, and what lies in the store."""

from __future__ import annotations

import datetime as dt

from scheduling.pace_models import LearnedPace
from scheduling.services.pace_learning import learn, store_learned
from scheduling.services.supplies import count_stock
from trimmer.management.scenario.founding import Ground

ON_HAND = {"block": 14, "glue": 3, "wrap": 60, "product": 4}
NIGHT = dt.time(2, 15)


def learn_overnight(ground: Ground) -> LearnedPace:
    """Learn the pace as the worker does each night, and count what is on hand."""
    learned = learn(business=ground.business, today=ground.today)
    count_stock(business=ground.business, on_hand=ON_HAND)
    return store_learned(business=ground.business, learned=learned, now=ground.at(ground.today, NIGHT))

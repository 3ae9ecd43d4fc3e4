"""What a rig is, as far as roads care: how fast it tows, how big it is, how long its turns and gates take.

Each distinct rig has a road data set of its own, because speeds and closed ways are worked into it.
"""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass, fields
from pathlib import Path

PROFILE = Path(__file__).parent / "profiles" / "rig.lua"


@dataclass(frozen=True, kw_only=True)
class Rig:
    """The values of the profile. Defaults are common practice for a van or pick-up with a chute on a trailer; what the
    law allows is for the user to look up.

    top_kmh: never faster, whatever the road. yard_kmh: on tracks, service roads and in the yard. Metres, kilograms and
    seconds as named; turn_seconds is the most a plain turn costs, gate_seconds opening and closing one.
    """

    top_kmh: float = 60
    yard_kmh: float = 10
    height_m: float = 3.2
    width_m: float = 2.5
    length_m: float = 12
    weight_kg: float = 5500
    turn_seconds: float = 8
    u_turn_seconds: float = 60
    gate_seconds: float = 40
    signal_seconds: float = 5
    towing: bool = True
    turn_restrictions: bool = True

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            least = 0 if field.name.endswith("_seconds") else 0.1
            if not isinstance(value, bool) and not least <= value <= 100_000:
                raise ValueError(f"{field.name} cannot be {value}")

    @property
    def key(self) -> str:
        """Names the data set: rigs with the same values share one, and a changed profile makes new ones."""
        return hashlib.sha256(self.lua().encode() + PROFILE.read_bytes()).hexdigest()[:12]

    def lua(self) -> str:
        """The values as rig.lua reads them."""
        rows = (
            f"  {name} = {str(value).lower() if isinstance(value, bool) else float(value)},"
            for name, value in asdict(self).items()
        )
        return "return {\n" + "\n".join(rows) + "\n}\n"


USUAL_RIG = Rig()
CAR = Rig(
    top_kmh=130,
    yard_kmh=15,
    height_m=1.9,
    width_m=1.9,
    length_m=5,
    weight_kg=2500,
    turn_seconds=4,
    u_turn_seconds=20,
    gate_seconds=40,
    towing=False,
)
"""The same van without the chute: to compare with. No value of a rig should be quicker."""

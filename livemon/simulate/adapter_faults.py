"""What can go wrong between program and adapter, drawn from a seed."""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random


@dataclass(slots=True)
class Faults:
    """Misbehaviour of a simulated adapter, as probabilities per ask or per line of reply."""

    seed: int = 0
    noise: float = 0.0  # random bytes somewhere in a line
    lost_bytes: float = 0.0  # one byte of a line vanishes
    lost_prompt: float = 0.0
    buffer_full: float = 0.0
    bus_trouble: float = 0.0  # CAN ERROR instead of the answer
    reset: float = 0.0  # the adapter starts anew and forgets its set-up
    silence: float = 0.0  # no reply at all to this ask
    slow_s: float = 0.0  # longest extra wait before a reply
    dead: bool = False  # never replies
    echo_stays_on: bool = False
    no_count_digit: bool = False  # an old adapter: refuses an odd number of digits
    random: Random = field(init=False)

    def __post_init__(self) -> None:
        self.random = Random(self.seed)

    def strikes(self, probability: float) -> bool:
        return probability > 0.0 and self.random.random() < probability

    def damage(self, reply: bytes) -> bytes:
        """A piece of reply as it leaves the adapter's wire."""
        if self.strikes(self.lost_prompt):
            reply = reply.replace(b">", b"")
        if reply and self.strikes(self.lost_bytes):
            at = self.random.randrange(len(reply))
            reply = reply[:at] + reply[at + 1 :]
        if self.strikes(self.noise):
            at = self.random.randrange(len(reply) + 1)
            reply = reply[:at] + self.random.randbytes(self.random.randint(1, 6)) + reply[at:]
        return reply

"""`Rig`, the one class that an integrator writes: which card to try the rules on, and what can be done to it."""

from __future__ import annotations

from laneproof.conformance.finding import NotDemonstrated
from laneproof.contract import ResetLevel
from laneproof.errors import BadInput


class Rig:
    """A card to try the rules on. Only `uri` is required; what is left out leaves rules *not demonstrated*.

        class MyRig(Rig):
            uri = "mycard:0000:65:00.0"

    Set attributes and override hooks in a subclass. Hooks are called while the kit has the card open, except `stray`.
    Each is undone by the next where there is one (`silence` by `resume`, `lose` by `restore`), whatever went wrong in
    between. Seconds are by the card's clock where a call waits, and real ones where the kit does.
    """

    uri: str = ""
    """What opens the card, as for `laneproof.open`."""
    second_uri: str = ""
    """A second card of the same driver, to show that two cards share nothing, and tell themselves apart."""
    wrong_address: str = "no-such-card"
    """An address at which there is no card; the kit expects connect to refuse it. Empty: not tried."""
    largest: int = 1 << 20
    """The largest transfer to try, in bytes; less on a card that would take long over it."""
    open_s: float = 10.0
    """How long the card may take to open."""
    budget_s: float = 60.0
    """How long the rules of the tier `soak` may take together."""
    slack_s: float = 0.5
    """How late after its deadline, or after it was cancelled, a call may come back."""
    wait_s: float = 0.2
    """How long the kit waits for what must not happen; well above 50 ms, in which a driver may wait at a time."""
    quiet_s: float = 2.0
    """A card that has brought nothing for so long brings no more."""
    patience_s: float = 10.0
    """A call that is so late has hung; the rule is broken, and the kit goes on without it."""
    resets: tuple[ResetLevel, ...] = (ResetLevel.DATA,)
    """The levels that may be tried, of those that the card offers. A harsher one disturbs more than the card."""

    def __init__(self, uri: str = "") -> None:
        self.uri = uri or self.uri
        if not self.uri:
            raise BadInput(f"{type(self).__name__} names no card; set uri, for example mycard:0000:65:00.0")

    def silence(self) -> None:
        """Make the card echo nothing until `resume`; what is sent meanwhile comes back afterwards."""
        raise NotDemonstrated("the rig has no silence() and resume(), which stop the echo and let it go on")

    def resume(self) -> None:
        """Let the card go on after `silence`."""

    def lose(self) -> None:
        """Make the open card vanish, as if it were pulled or lost its power."""
        raise NotDemonstrated("the rig has no lose() and restore(), which make the card vanish and come back")

    def restore(self) -> None:
        """Bring the card back after `lose`, so that it can be opened anew."""

    def stray(self, nbytes: int) -> None:
        """Leave `nbytes` bytes in the closed card, as an earlier user would who did not receive all."""
        raise NotDemonstrated("the rig has no stray(nbytes), which leaves an earlier user's bytes in the card")

    def cause_errors(self) -> None:
        """Make at least one error count of the open card rise."""
        raise NotDemonstrated("the rig has no cause_errors(), which makes an error count rise")

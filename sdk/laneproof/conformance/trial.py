"""`Trial`: one rule under way on one rig. Every call of the driver goes through it, watched, with errors told apart."""

from __future__ import annotations

from collections.abc import Callable, Generator
from contextlib import contextmanager, suppress
from typing import Any, TypeVar, cast

from attrs import evolve

from laneproof import registry
from laneproof.clock import Deadline
from laneproof.conformance.finding import Broken, NotApplicable, NotDemonstrated
from laneproof.conformance.opened import Opened
from laneproof.conformance.rig import Rig
from laneproof.conformance.watch import Beside, Watch
from laneproof.conformance.words import told
from laneproof.contract import Address, Card, Driver
from laneproof.endpoint import Endpoint
from laneproof.endpoint import open as open_endpoint
from laneproof.errors import LaneproofError, NotOffered

HOOK = "the rig's "
HOOK_S = 30.0
"""How long a hook of the rig may take, in seconds."""
_FROM_DRIVER = "_laneproof_from_driver"
"""Set on what a driver raises: held by the error itself, so that nobody holds the error, its frames and their views."""
_T = TypeVar("_T")


class Trial:
    """What a rule works with: the rig, its driver, and calls that cannot hang the kit."""

    def __init__(self, rig: Rig, watch: Watch, to_undo: list[str] | None = None) -> None:
        self.rig = rig
        self.watch = watch
        self.to_undo: list[str] = [] if to_undo is None else to_undo
        """Hooks of the rig that have to be called, whatever becomes of the rule."""

    # --- the driver, and cards that it opens

    @property
    def driver(self) -> Driver:
        """The driver of the rig's URI. Raises BadInput, CannotOpen as `laneproof.open` does."""
        return registry.driver_for(registry.parse_uri(self.rig.uri).scheme)

    def address(self, uri: str = "") -> Address:
        return registry.parse_uri(uri or self.rig.uri).address

    def options(self, uri: str = "") -> Any:
        """The driver's options as the URI gives them."""
        return registry.read_options(self.driver, registry.parse_uri(uri or self.rig.uri).options)

    def connect(self, uri: str = "", address: Address | None = None) -> Card:
        """Call the driver's own connect. Raises what it raises; Broken for what is no Card."""
        driver, options, timeout_s = self.driver, self.options(uri), self.rig.open_s
        with Deadline(timeout_s) as deadline:
            asked = (address or self.address(uri), options, deadline)
            made = cast("object", self.call("connect", driver.connect, *asked, given_s=timeout_s, deadline=deadline))
        if not isinstance(made, Card):
            raise Broken(f"connect returned {type(made).__name__}, not a laneproof.contract.Card")
        return made

    @contextmanager
    def opened(self, uri: str = "") -> Generator[Opened]:
        """An open card. Where it does not open, that is another rule's business."""
        try:
            card = self.connect(uri)
        except (Exception, SystemExit) as error:
            raise NotDemonstrated(f"the card does not open ({told(error)}); see connect-returns-a-ready-card") from None
        try:
            yield Opened(card, self)
        finally:
            self._close(card)

    def close(self, card: Card) -> None:
        """Close it as a rule does that is about closing. Raises what the driver raises."""
        self.call("close", card.close)

    def _close(self, card: Card) -> None:
        with suppress(Exception):  # whether close is right, other rules say
            if self.watch.given_up:
                card.close()
            else:
                self.call("close", card.close)

    @contextmanager
    def endpoint(self) -> Generator[Endpoint]:
        """The card through `laneproof.open`, as users have it."""
        try:
            made = self.open_endpoint()
        except NotOffered as error:
            raise NotApplicable(str(error.args[0])) from None
        except (Exception, SystemExit) as error:
            raise NotDemonstrated(f"the card does not open ({told(error)}); see connect-returns-a-ready-card") from None
        try:
            yield made
        finally:
            with suppress(Exception):
                if self.watch.given_up:
                    made.close()
                else:
                    self.call("Endpoint.close", made.close)

    def open_endpoint(self) -> Endpoint:
        """As a user calls `laneproof.open`. Raises what that raises."""
        with self.watch.over("laneproof.open", self.rig.open_s):
            return open_endpoint(self.rig.uri, timeout=self.rig.open_s, acknowledge_cautions=True)

    # --- calls

    def call(
        self,
        what: str,
        function: Callable[..., _T],
        *arguments: object,
        given_s: float = 1.0,
        deadline: Deadline | None = None,
    ) -> _T:
        """Call into the driver; it has `given_s` real seconds, and the rig's patience beyond."""
        with self.watch.over(what, given_s, deadline):
            try:
                return function(*arguments)
            except BaseException as error:
                with suppress(Exception):  # an error may refuse
                    setattr(error, _FROM_DRIVER, True)
                raise

    def beside(self, call: Callable[[], _T]) -> Beside[_T]:
        """Run `call` in a thread of its own."""
        return Beside(self.watch, call)

    def hook(self, name: str, *arguments: object) -> None:
        """Call a hook of the rig. Raises NotDemonstrated where it has none, or where it fails."""
        function = cast("Callable[..., None]", getattr(self.rig, name))
        try:
            self.call(f"{HOOK}{name}()", function, *arguments, given_s=HOOK_S)
        except NotDemonstrated:
            raise
        except Exception as error:
            raise NotDemonstrated(f"the rig's {name}() failed: {told(error)}") from None

    @contextmanager
    def between_hooks(self, begin: str, end: str) -> Generator[None]:
        """Call one hook of the rig before the block and another after it."""
        self.hook(begin)
        self.to_undo.append(end)
        try:
            yield
        finally:
            if end in self.to_undo and not self.watch.given_up:
                self.undo()

    def undo(self) -> None:
        """Call the hooks that have to be called, where there are any."""
        while self.to_undo:
            self.hook(self.to_undo.pop())


def came_from_driver(error: BaseException) -> bool:
    """Whether the error was raised below a call of the driver or the endpoint, not by the kit."""
    return isinstance(error, LaneproofError) or getattr(error, _FROM_DRIVER, False)


def address_without_a_card(trial: Trial) -> Address:
    """The rig's address with something in its text that is no card's."""
    if not trial.rig.wrong_address:
        raise NotDemonstrated("the rig's wrong_address is empty, so no address is tried")
    return evolve(trial.address(), text=trial.rig.wrong_address)


def refused(call: Callable[[], object], what: str) -> LaneproofError:
    """The one-line error with which `call` refuses. Raises Broken for any other outcome."""
    try:
        call()
    except LaneproofError as error:
        text = str(error.args[0])
        if not text.strip() or any(ord(letter) < 32 for letter in text):
            raise Broken(f"{what} is refused with {told(error)}, which is not one line of text") from None
        return error
    except (Exception, SystemExit) as error:
        raise Broken(f"{what} ends in {told(error)}, not in an error of laneproof's") from None
    raise Broken(f"{what} is taken as if it were right")

"""The virtual tester: MicroPython running the firmware, the virtual board behind it, simulated time, the USB plug.

One thread (the device's) does everything: it answers the firmware's requests, moves bytes between the firmware's
terminal and the user's port, lets actors act, and decides when simulated time moves:

- with `pace` set, time follows the wall clock at that many times real time, always;
- else, while somebody has the USB port open, time follows at `usb_pace` times real time (None: freely);
- else, while an actor is on stage, time moves as fast as the firmware can compute;
- else, while the USB is plugged in, time follows at `usb_pace` again;
- else time stands still: the firmware waits where it last wanted to wait.

While the firmware computes, free time stands still too, so that what an actor sees does not depend on the computer.
"""

from __future__ import annotations

import os
import select
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from probeledger.errors import ProbeError

from . import internal, launcher, registry
from .actors import Actor, Script
from .engine import Engine, VirtualTesterError
from .launcher import Interpreter
from .ports import PtyPort, SocketPort, UserPort, pty_available
from .relay import Relay
from .rpc import Board, Peripherals
from .state import StateFolder

__all__ = ["VirtualTester", "VirtualTesterError"]

_Result = TypeVar("_Result")

# A start that takes longer has failed [wall s].
_START_S = 30.0


class VirtualTester:
    """A tester without hardware. Use it as a context manager; it starts without power.

    Args:
        state_folder: keeps what survives without power (see `state`).
        scenario: the oven it stands at (a `scenario.Scenario`), or None for a bench; used when `world` is None.
        specimen: the part values of this tester; None draws them with `seed`.
        description: the circuit; None reads hardware/tester.toml.
        world: what is outside the case; None makes one of `scenario` and `seed`.
        board: the hardware; None makes a `board.VirtualBoard`. With it, `world` may be anything that has
            `usb_plugged`, `plug_usb()` and `unplug_usb()`.
        no_answer: the exception by which `board` says that no I2C chip answered.
        pace, usb_pace: how time moves, see above [times real time].
        heap_bytes: MicroPython's heap [bytes], see `launcher`.
        micropython: the interpreter; None looks for one.
        firmware: the folder of the firmware; None takes the one of this installation.
        refresh: copy the firmware again where it differs from the copy in the state folder.
        transport: "pty", "socket" or None for whichever this system gives.
        listed: let `registry.running` find this tester; its port's path then lies in the runtime folder.
        seed: of the specimen and the world.
        unique_id: the microcontroller's eight bytes; None draws and keeps them.

    Raises:
        InputError: the state folder is in use or no interpreter was found.
    """

    def __init__(
        self,
        state_folder: Path | str,
        *,
        scenario: Any = None,
        specimen: Any = None,
        description: Any = None,
        world: Any = None,
        board: Board | None = None,
        no_answer: type[Exception] | None = None,
        pace: float | None = None,
        usb_pace: float | None = 1.0,
        heap_bytes: int = launcher.HEAP_BYTES,
        micropython: str | None = None,
        firmware: Path | None = None,
        refresh: bool = True,
        transport: str | None = None,
        listed: bool = False,
        seed: int = 0,
        unique_id: bytes | None = None,
    ) -> None:
        program = launcher.find_interpreter(micropython)
        self.state = StateFolder(Path(state_folder))
        try:
            if firmware is None:
                from probeledger.resources import firmware_folder

                firmware = firmware_folder()
            folder = internal.install(firmware, self.state.path, refresh=refresh)
            if board is None:
                board, world = _make_board(self.state, scenario, specimen, description, world, seed)
            if no_answer is None:
                from .board import NoAnswer

                no_answer = NoAnswer
            self.board: Any = board
            self.world: Any = world
            self.board.power_off()
            peripherals = Peripherals(board, self.state.unique_id(unique_id), no_answer)
            relay = Relay(_make_port(self.state, transport, listed))
        except BaseException:
            self.state.close()
            raise

        def launch(with_main: bool) -> Interpreter:
            self.starts += 1
            return Interpreter(program, folder, heap_bytes, with_main=with_main)

        self._engine = Engine(board, world, peripherals, relay, launch, self._register)
        self._engine.pace = pace
        self._engine.usb_pace = usb_pace
        self._program = program
        self._listed = listed
        self._entry: Path | None = None
        self._scenario_name = getattr(scenario, "name", None)
        self._started_s = int(time.time())
        self._wake_out, self._wake_in = os.pipe()
        os.set_blocking(self._wake_out, False)
        self._orders: list[Callable[[], None]] = []
        self._orders_lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._ending = False
        self._ended = threading.Event()
        self._failure: BaseException | None = None
        # How often the interpreter was started: by power, by soft and by hard resets.
        self.starts = 0

    # ------------------------------------------------------------ life

    def __enter__(self) -> VirtualTester:
        self.start()
        return self

    def __exit__(self, *exc_info: object) -> None:
        self.close()

    def start(self) -> None:
        """Start the device's thread; the tester has no power yet."""
        if self._thread is None:
            self._thread = threading.Thread(target=self._live, name="virtual tester", daemon=True)
            self._thread.start()
            self.do(self._register)

    def close(self) -> None:
        """Stop everything: interpreter, port and registration; write the flash and the clock to their files."""
        if self._thread is not None:
            self._ending = True
            self._wake()
            self._ended.wait()
            self._thread.join()
        self._thread = None
        self._shut()

    def join(self, seconds: float) -> None:
        """Wait for wall time [s], or less: raises what the virtual tester failed with, where it did."""
        # Not Thread.join: where a signal's handler raises inside it, Python 3.11 takes the thread for ended.
        if self._thread is not None and self._ended.wait(seconds) and not self._ending:
            raise self._failed()

    @property
    def pace(self) -> float | None:
        """Return or set how fast time moves always [times real time], or None for the rules of this module."""
        return self._engine.pace

    @pace.setter
    def pace(self, pace: float | None) -> None:
        self._engine.pace = pace

    @property
    def usb_pace(self) -> float | None:
        """Return or set how fast time moves with the USB in use [times real time]; None lets it go."""
        return self._engine.usb_pace

    @usb_pace.setter
    def usb_pace(self, pace: float | None) -> None:
        self._engine.usb_pace = pace

    @property
    def shim_bytes(self) -> int:
        """Return what the shims take of the heap [bytes]."""
        return self._engine.shim_bytes

    @property
    def port_was_opened(self) -> bool:
        """Tell whether somebody has had the port open since the last start (and may have ended the firmware)."""
        return self._engine.port_was_opened

    @property
    def port(self) -> str:
        """Return what a program opens to talk to this tester; it is there while the USB is plugged in."""
        return self._engine.relay.port.url

    @property
    def console(self) -> str:
        """Return the end of all that the firmware printed, seen by a user or not."""
        return self._engine.relay.console.text()

    @property
    def now_us(self) -> int:
        """Return the simulated time since the world began [us]."""
        now_us: int = self.board.now_us
        return now_us

    @property
    def at_prompt(self) -> bool:
        """Tell whether the firmware has ended and MicroPython waits at its prompt."""
        interpreter = self._engine.interpreter
        return interpreter is not None and interpreter.reading_keys()

    @property
    def pid(self) -> int | None:
        """Return the interpreter's process number, or None without power."""
        return self._engine.interpreter.process.pid if self._engine.interpreter is not None else None

    def power_on(self) -> None:
        """Give the tester power; the firmware starts, and runs as far as its first wait while no time moves.

        Raises VirtualTesterError where the interpreter does not start; not when an actor calls it, whose tester starts
        after the actor's next `yield`.
        """
        self.do(self._engine.power_on)
        if threading.current_thread() is self._thread:
            return
        deadline_s = time.monotonic() + _START_S
        while not self._engine.ready:
            self.join(0.005)
            if time.monotonic() > deadline_s:
                raise VirtualTesterError(
                    f"{self._program} did not start within {_START_S:g} s; is it MicroPython's Unix port? "
                    f"Name another one with --micropython or {launcher.ENVIRONMENT}."
                )

    def power_off(self) -> None:
        """Take the power away, in the middle of whatever goes on."""
        self.do(self._engine.power_off)

    def plug_usb(self) -> None:
        """Plug the USB cable in: the port appears."""

        def plug() -> None:
            self.world.plug_usb()
            self._engine.look_after_plug()

        self.do(plug)

    def unplug_usb(self) -> None:
        """Pull the USB cable: the port vanishes."""

        def unplug() -> None:
            self.world.unplug_usb()
            self._engine.look_after_plug()

        self.do(unplug)

    def run(self, actor: Script | Callable[[VirtualTester], Script], wall_timeout_s: float = 120.0) -> Any:
        """Let an actor act, in simulated time, until its script ends; return what it returns.

        Args:
            actor: a generator (see `actors`), or a function that makes one of this tester.
            wall_timeout_s: how long it may take [wall s].

        Raises:
            VirtualTesterError: it took longer, or the tester failed.
            Whatever the script raised.
        """
        begun = self.begin(actor)
        if not begun.ended.wait(wall_timeout_s):
            error = VirtualTesterError(
                f"The script did not end within {wall_timeout_s:g} s; simulated time stands at "
                f"{self.now_us / 1e6:.1f} s and the firmware printed last: {self.console[-300:]!r}."
            )
            self.do(lambda: self._engine.cast.cancel(error, begun))
        if begun.error is not None:
            raise begun.error
        return begun.result

    def begin(self, actor: Script | Callable[[VirtualTester], Script]) -> Actor:
        """Put an actor on stage and return at once; its `ended` tells when it is through."""
        script = actor(self) if callable(actor) else actor
        made = Actor(script, self.now_us)

        def enter() -> None:
            self._engine.cast.add(made)
            self._engine.after_time()

        self.do(enter)
        return made

    def run_for(self, seconds: float) -> None:
        """Let simulated time [s] pass."""

        def wait() -> Script:
            yield seconds

        self.run(wait())

    def do(self, function: Callable[[], _Result], timeout_s: float = 60.0) -> _Result:
        """Call a function in the device's thread, between two steps of time, and return its result."""
        if threading.current_thread() is self._thread:
            return function()
        done = threading.Event()
        results: list[_Result] = []
        errors: list[BaseException] = []

        def order() -> None:
            try:
                results.append(function())
            except BaseException as error:
                errors.append(error)
            done.set()

        with self._orders_lock:
            self._orders.append(order)
        self._wake()
        deadline_s = time.monotonic() + timeout_s
        while not done.wait(0.2):
            if self._thread is None or self._ended.is_set():
                raise self._failed()
            if time.monotonic() > deadline_s:
                raise VirtualTesterError(f"The virtual tester did not answer within {timeout_s:g} s.")
        if errors:
            raise errors[0]
        return results[0]

    # ------------------------------------------------------------ the thread

    def _wake(self) -> None:
        try:
            os.write(self._wake_in, b"!")
        except OSError:
            pass

    def _live(self) -> None:
        engine = self._engine
        try:
            engine.watch(self._wake_out, select.POLLIN)
            while not self._ending:
                if engine.turn():
                    self._carry_out_orders()
        except BaseException as error:
            self._failure = error
        finally:
            failure = self._failed() if self._failure is not None else VirtualTesterError("The tester was closed.")
            engine.cast.cancel(failure)
            try:
                engine.stop()
            finally:
                self._ended.set()

    def _carry_out_orders(self) -> None:
        os.read(self._wake_out, 4096)
        with self._orders_lock:
            orders, self._orders = self._orders, []
        for order in orders:
            order()

    def _failed(self) -> BaseException:
        cause = self._failure
        if isinstance(cause, ProbeError):
            return cause
        error = VirtualTesterError(f"The virtual tester has failed: {cause!r}.")
        error.__cause__ = cause
        return error

    def _register(self) -> None:
        if not self._listed:
            return
        self._entry = registry.register(
            registry.Running(
                id=self.state.unique_id().hex(),
                port=self.port,
                pid=os.getpid(),
                started=self._started_s,
                state=str(self.state.path),
                scenario=self._scenario_name,
                plugged=self._engine.plugged,
            )
        )

    def _shut(self) -> None:
        if self._wake_in < 0:
            return
        self._engine.relay.port.unplug()
        if self._entry is not None:
            registry.forget(self._entry)
        try:
            self.board.close()
        finally:
            os.close(self._wake_in)
            os.close(self._wake_out)
            self._wake_in = self._wake_out = -1
            self.state.close()


def _make_port(state: StateFolder, transport: str | None, listed: bool) -> UserPort:
    if transport is None:
        transport = "pty" if pty_available() else "socket"
    if transport == "socket":
        return SocketPort()
    return PtyPort(registry.link_path(state.path) if listed else state.path / "port")


def _make_board(
    state: StateFolder, scenario: Any, specimen: Any, description: Any, world: Any, seed: int
) -> tuple[Board, Any]:
    from .board import VirtualBoard
    from .circuit import description as circuit_description
    from .circuit.specimen import draw
    from .world import World

    if description is None:
        description = circuit_description.load()
    if specimen is None:
        specimen = draw(description, seed)
    if world is None:
        world = World(scenario=scenario, seed=seed)
    return VirtualBoard(description, specimen, world, state.flash_image, state.clock_file), world

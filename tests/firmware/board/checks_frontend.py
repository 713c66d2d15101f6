"""Checks of the front end's states and of the rules that keep the drivers off."""

import time

import pin_board  # before all that imports machine

import board
from measure import frontend, ranges
from measure.frontend import DriveRefused, FrontEnd

NUMBERS = (
    board.PIN_DRIVE_A,
    board.PIN_DRIVE_B,
    board.PIN_DRIVE_HIGH_RANGE,
    board.PIN_DRIVE_CHASSIS,
    board.PIN_DRIVE_JAW,
)


def refused(code, action, *args):
    try:
        action(*args)
    except DriveRefused as error:
        assert error.code == code, error.code
        return
    raise AssertionError("not refused")


def outputs(log):
    """Follow the log and return the set of outputs after each of its entries."""
    driven = {}
    history = []
    for number, mode, _, value in log:
        if mode == "out":
            driven[number] = value
        elif mode == "in":
            driven.pop(number, None)
        history.append(dict(driven))
    return history


def check_every_state_is_reached_through_off():
    front = FrontEnd(None)
    front.clean()
    names = sorted(frontend.STATES)
    for one in names:
        for other in names:
            for name in (one, other):
                state = frontend.STATES[name]
                del pin_board.LOG[:]
                if name[:4] in ("load", "pull"):
                    front.load(state, 0.5)
                else:
                    front.drive(state)
            history = outputs(pin_board.LOG)
            assert {} in history
            wanted = {}
            for index in range(5):
                if state[index] in (0, 1):
                    wanted[NUMBERS[index]] = state[index]
            assert history[-1] == wanted, (one, other)
            # After the moment in which all are inputs nothing else is driven on the way.
            for step in history[history.index({}) :]:
                for number, level in step.items():
                    assert wanted[number] == level


def check_the_low_range_never_drives_the_chassis():
    # Bit patterns of the table against the words of the circuit: who may be an output in which kind of state.
    for name, state in frontend.STATES.items():
        driven = [NUMBERS[index] for index in range(5) if state[index] in (0, 1)]
        if name in ("forward", "reverse", "rail-low", "rail-high"):
            assert driven == [board.PIN_DRIVE_A, board.PIN_DRIVE_B]
        elif name.startswith("high-"):
            assert driven == [board.PIN_DRIVE_B, board.PIN_DRIVE_HIGH_RANGE]
        elif name[:3] in ("jaw", "loa"):
            assert driven == [board.PIN_DRIVE_CHASSIS, board.PIN_DRIVE_JAW]
        elif name.startswith("isolation"):
            assert board.PIN_DRIVE_HIGH_RANGE not in driven and len(driven) == 4
            assert state[0] == state[1] and state[3] == state[4]
        else:
            assert driven == []


def check_nothing_drives_before_a_look():
    front = FrontEnd(None)
    refused("not-looked", front.drive, frontend.FORWARD)
    front.clean()
    front.drive(frontend.FORWARD)
    front.lock("a voltage from lead a to chassis")
    assert front.state == frontend.OFF
    for state in (frontend.FORWARD, frontend.HIGH_REVERSE, frontend.JAW_FORWARD, frontend.ISOLATION_LOW):
        refused("voltage-on-leads", front.drive, state)
    front.drive(frontend.OFF)
    front.clean()
    front.drive(frontend.FORWARD)


def check_a_look_grows_old():
    front = FrontEnd(None)
    front.clean()
    front._looked_ms = time.ticks_add(time.ticks_ms(), -frontend.LOOK_VALID_MS - 1000)
    refused("not-looked", front.drive, frontend.FORWARD)


def check_load_steps_end_at_two_volts():
    front = FrontEnd(None)
    front.load(frontend.LOAD_LOW, 1.99)
    refused("voltage-on-leads", front.load, frontend.LOAD_HIGH, 2.0)
    refused("voltage-on-leads", front.load, frontend.FORWARD, 0.0)
    del pin_board.LOG[:]
    front.load(frontend.PULLS_MIDDLE, 60.0)
    assert all(mode == "in" for _, mode, _, _ in pin_board.LOG)


def check_ranges_respect_the_converter():
    # Node voltages solved by hand for a supply of 3.2 to 3.4 V; limits of the amplifier: SBAS501C, 8.3.2.1, as in the
    # simulation of the circuit: every input within 0.83 to 3.1 V.
    for ohms in list(range(0, 4600, 50)) + [1e4, 3e4, 5e4, 1e5, 3e5, 1e6]:
        plan = ranges.plan(ohms)
        assert plan.range == (ranges.LOW if ohms <= 4500 else ranges.HIGH)
        for supply in (3.2, 3.3, 3.4):
            drive = 4330.0 if plan.range == ranges.LOW else 104730.0
            amps = supply / (drive + 1500.0 + ohms + 4330.0)
            low_end = amps * 4330.0  # F- forward
            high_end = supply - amps * drive  # T forward
            if not plan.bypass:
                assert low_end >= 0.83 and high_end <= 3.1, (ohms, low_end, high_end)
                assert supply - high_end >= 0.83 and supply - low_end <= 3.1
            for volts in (amps * 1500.0, amps * ohms):
                assert volts * plan.gain < supply, (ohms, plan)
    assert ranges.plan(1100).gain == 4 and not ranges.plan(1100).bypass
    assert ranges.plan(4000).gain == 2
    assert ranges.plan(1e6).bypass

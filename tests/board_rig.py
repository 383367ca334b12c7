# mypy: ignore-errors
# MicroPython has no typing; the tests run this file in it.
"""Runs under MicroPython: the board program with a fake `machine` and fake MAX31856 chips, on a clock of its own.

    micropython board_rig.py FOLDER

The chips are written from the register memory map of the data sheet (address byte, bit 7 set to write, address
counting up by itself; reserved bits read 0), not from the program. The first line of the input is the scenario as
JSON, see `main`; MicroPython breaks down over arguments of more than 255 bytes. The rest is what the board hears.
"""

import gc
import json
import sys

MEMORY_AT = []


class Clock:
    """Stands in for the module `time`. Its ticks wrap at 2**30 as those of the boards do."""

    PERIOD = 1 << 30

    def __init__(self, start_ms, end_ms):
        self.now_ms, self.start_ms, self.end_ms, self.events = start_ms, start_ms, start_ms + end_ms, []

    def ticks_ms(self):
        return self.now_ms % self.PERIOD

    def ticks_add(self, ticks, by):
        return (ticks + by) % self.PERIOD

    def ticks_diff(self, later, earlier):
        half = self.PERIOD // 2
        return (later - earlier + half) % self.PERIOD - half

    def sleep_ms(self, duration_ms):
        self.now_ms += duration_ms
        while self.events and self.start_ms + self.events[0][0] <= self.now_ms:
            self.events.pop(0)[1]()
        if self.now_ms >= self.end_ms:
            raise SystemExit


class FakeChip:
    """A MAX31856: registers 00h to 0Fh with their values after power-on."""

    POWER_ON = bytes([0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0x00, 0x00, 0, 0, 0, 0, 0, 0])

    def __init__(self):
        self.registers = bytearray(self.POWER_ON)
        self.present = True
        self.address = None
        self.celsius, self.microvolts, self.cold_celsius, self.status = 0.0, 0.0, 0.0, 0

    def selected(self, is_selected):
        self.address = None

    def convert(self):
        """What the chip does ten times a second while bit 7 of CR0 is set."""
        if not self.registers[0] & 0x80:
            return
        cold = round(self.cold_celsius * 64) & 0x3FFF
        self.registers[0x0A], self.registers[0x0B] = cold >> 6, cold << 2 & 0xFF
        if self.registers[1] & 0x08:  # voltage, gain 8: code = 8 * 1.6 * 2**17 * volts
            hot = round(self.microvolts * 1e-6 * 8 * 1.6 * 131072) & 0x7FFFF
        else:
            hot = round(self.celsius * 128) & 0x7FFFF
        self.registers[0x0C], self.registers[0x0D] = hot >> 11, hot >> 3 & 0xFF
        self.registers[0x0E] = hot << 5 & 0xFF
        self.registers[0x0F] = self.status

    def exchange(self, byte):
        """One byte over the wire while selected."""
        if self.address is None:
            self.writing, self.address = byte & 0x80, byte & 0x0F
            return 0xFF
        answer = self.registers[self.address]
        if self.writing:
            if self.address == 0 and (byte ^ self.registers[0]) & 0x01 and self.registers[0] & 0x80:
                raise RuntimeError("the filter was changed while the chip converts")
            if self.address < 0x0A:
                self.registers[self.address] = byte
        else:
            self.convert()
        self.address = (self.address + 1) & 0x0F
        return answer if self.writing else self.registers[self.address - 1]


class Rig:
    """The pins, chips and watchdog of one board."""

    def __init__(self):
        self.chips, self.pins, self.fed, self.clock = {}, {}, [], None

    def machine(self):
        rig = self

        class Pin:
            OUT, IN, PULL_UP = 1, 0, 2

            def __init__(self, number, mode=None, pull=None, value=1):
                self.number = number
                rig.pins.setdefault(number, value)
                rig.pins[number] = rig.pins[number] if mode == Pin.IN else value

            def __call__(self, level=None):
                if level is None:
                    return rig.pins[self.number]
                rig.pins[self.number] = level
                if self.number in rig.chips:
                    rig.chips[self.number].selected(level == 0)

        class SPI:
            def __init__(self, bus, baudrate, polarity, phase, sck, mosi, miso):
                if (polarity, phase) not in ((0, 1), (1, 1)) or baudrate > 5000000:
                    raise ValueError("the MAX31856 takes SPI modes 1 and 3, up to 5 MHz")

            def _exchange(self, byte):
                # A select pin that nobody has set floats, which counts as low here.
                selected = [chip for pin, chip in rig.chips.items() if rig.pins.get(pin, 0) == 0]
                if len(selected) > 1:
                    raise RuntimeError("two chips are selected at once")
                if not selected or not selected[0].present:
                    return 0xFF  # nothing drives the line
                return selected[0].exchange(byte)

            def write(self, data):
                for byte in data:
                    self._exchange(byte)

            def write_readinto(self, out, into):
                for i in range(len(out)):
                    into[i] = self._exchange(out[i])

        class WDT:
            def __init__(self, timeout):
                self.timeout, self.last_ms = timeout, rig.clock.now_ms

            def feed(self):
                if rig.clock.now_ms - self.last_ms > self.timeout:
                    raise RuntimeError("the watchdog would have reset the board")
                self.last_ms = rig.clock.now_ms

        class Machine:  # MicroPython makes no modules by hand; any object will do
            pass

        Machine.Pin, Machine.SPI, Machine.WDT = Pin, SPI, WDT
        return Machine


def main(folder, scenario):
    """Run a scenario: settings of the program, chips by pin, events [at_ms, kind, pin, values]; tell memory in use."""
    rig = Rig()
    clock = rig.clock = Clock(scenario["start_ms"], scenario["run_ms"])
    for pin, values in scenario["chips"].items():
        chip = rig.chips[int(pin)] = FakeChip()
        change(chip, values)
    for at_ms, kind, pin, values in scenario["events"]:
        clock.events.append((at_ms, happening(rig, kind, pin, values)))
    sys.modules["machine"], sys.modules["time"] = rig.machine(), clock
    sys.path.insert(0, folder)
    import pullcue_board

    for name, value in scenario["settings"].items():
        setattr(pullcue_board, name, value)
    try:  # noqa: SIM105  MicroPython has no contextlib
        pullcue_board.run()
    except SystemExit:
        pass
    sys.stderr.write(json.dumps({"memory": MEMORY_AT}))


def change(chip, values):
    for name, value in values.items():
        if name == "cr0":
            chip.registers[0] = value
        else:
            setattr(chip, name, value)


def happening(rig, kind, pin, values):
    def happen():
        if kind == "chip":
            change(rig.chips[pin], values)
        elif kind == "power_lost":
            rig.chips[pin].registers = bytearray(FakeChip.POWER_ON)
        elif kind == "pin":
            rig.pins[pin] = values
        elif kind == "stall":
            rig.clock.now_ms += values
        elif kind == "memory":
            gc.collect()
            MEMORY_AT.append(gc.mem_alloc())

    return happen


main(sys.argv[1], json.loads(sys.stdin.readline()))

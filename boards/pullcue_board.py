"""Board program: thermocouples on MAX31856 converter chips, read five times a second and sent as lines of text.

For MicroPython. Set the values below to the wiring, copy the file to the board as main.py, and reset the board.
Pullcue's docs/board-protocol.md describes the lines. The program only measures: it switches nothing.

The chips share the clock and data pins; each has a chip select of its own and measures its own cold junction. With
unit "C" the chip converts to degrees by its table for the type given; with unit "uV" it sends microvolts and the cold
junction, and Pullcue converts.
"""

import select
import sys
import time

from machine import SPI, WDT, Pin

# ---- Set these ------------------------------------------------------------------------------------------------------

NAME = "oven_board"  # letters, digits, _ - .
# One line a thermocouple: name of the channel, unit ("C" or "uV"), type (B E J K N R S T), pin of the chip select.
CHANNELS = (
    ("air_upper", "C", "K", 17),
    ("air_lower", "C", "K", 20),
)
SPI_BUS, SPI_CLOCK_PIN, SPI_OUT_PIN, SPI_IN_PIN = 0, 18, 19, 16
BUTTONS = (("mark", 15),)  # name and pin of each button, which connects its pin to ground; () for none
MAINS_HZ = 50  # 50 or 60: the chips filter this hum out
PERIOD_MS = 200  # between two lines of values; 100 to 1000, a chip needs up to 100 ms for a new value
WATCHDOG_MS = 8000  # the board resets itself when the program hangs this long; 0 for no watchdog

# ---------------------------------------------------------------------------------------------------------------------

# Registers 00h to 0Fh in the chip's order (data sheet of the MAX31856, register memory map).
CR0, CR1, CJTH, LTCBH, SR = 0x00, 0x01, 0x0A, 0x0C, 0x0F
WRITE = 0x80
CONTINUOUS, OPEN_CHECK, HZ50 = 0x80, 0x10, 0x01
TYPES = "BEJKNRST"  # their place is the chip's code
MICROVOLTS = 0x08  # in place of the type: voltage at gain 8, +-78 mV
IS_OPEN, IS_OVER_OR_UNDER, TC_RANGE, CJ_RANGE = 0x01, 0x02, 0x40, 0x80
BANNER_EVERY_MS = 30000
DEBOUNCE_MS = 30
IDLE_MS = 5
LONGEST_LINE = 512
HEX = b"0123456789ABCDEF"


class Line:
    """A line put together in one buffer that is used again and again, so that nothing is left for the collector."""

    def __init__(self):
        self._buffer = bytearray(LONGEST_LINE)
        self._view = memoryview(self._buffer)
        self._length = 0

    def start(self, text):
        """Begin anew with some text, bytes."""
        self._length = 0
        self.add(text)

    def add(self, text):
        """Append bytes."""
        for byte in text:
            self._buffer[self._length] = byte
            self._length += 1

    def add_whole(self, number):
        """Append a whole number, 0 or more."""
        begin = self._length
        while True:
            self._buffer[self._length] = 48 + number % 10
            self._length += 1
            number //= 10
            if number == 0:
                break
        low, high = begin, self._length - 1
        while low < high:  # the digits came last first
            self._buffer[low], self._buffer[high] = self._buffer[high], self._buffer[low]
            low += 1
            high -= 1

    def add_thousandths(self, number):
        """Append a whole number of thousandths as a decimal with three digits after the point."""
        if number < 0:
            self.add(b"-")
            number = -number
        self.add_whole(number // 1000)
        rest = number % 1000
        self._buffer[self._length] = 46
        self._buffer[self._length + 1] = 48 + rest // 100
        self._buffer[self._length + 2] = 48 + rest // 10 % 10
        self._buffer[self._length + 3] = 48 + rest % 10
        self._length += 4

    def send(self):
        """Append checksum and line end, and send it."""
        self.end()
        sys.stdout.buffer.write(self._view[: self._length])

    def end(self):
        """Append checksum and line end; the checksum is given back."""
        crc = 0xFFFF  # CRC-16/CCITT-FALSE
        for i in range(self._length):
            crc ^= self._buffer[i] << 8
            for _ in range(8):
                crc = (crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1
                crc &= 0xFFFF
        self.add(b" ")
        for shift in (12, 8, 4, 0):
            self._buffer[self._length] = HEX[crc >> shift & 15]
            self._length += 1
        self.add(b"\n")
        return self._view[self._length - 5 : self._length - 1]


class Counters:
    """The line number and the board's milliseconds, both modulo 2**32."""

    def __init__(self):
        self._number, self._ms, self._ticks = 0, 0, time.ticks_ms()

    def tick(self):
        """Follow the clock; more often than it wraps, which is days."""
        now = time.ticks_ms()
        self._ms = (self._ms + time.ticks_diff(now, self._ticks)) & 0xFFFFFFFF
        self._ticks = now
        return now

    def stamp(self, line, kind):
        """Begin a line of values or of a button with its number and time."""
        self.tick()
        line.start(kind)
        line.add_whole(self._number)
        line.add(b" ")
        line.add_whole(self._ms)
        self._number = (self._number + 1) & 0xFFFFFFFF


class Chip:
    """One MAX31856 and its thermocouple."""

    def __init__(self, spi, unit, kind, select_pin):
        self._spi, self._select = spi, select_pin
        self._is_c = unit == "C"
        self._cr0 = CONTINUOUS | OPEN_CHECK | (HZ50 if MAINS_HZ == 50 else 0)
        self._cr1 = TYPES.index(kind) if self._is_c else MICROVOLTS
        # All registers in one go: address 0, then sixteen bytes come back.
        self._ask, self._got = bytes(17), bytearray(17)
        self._set_up()

    def _set_up(self):
        # The filter may be changed only while the chip rests, and after a reset of the board alone it is still at work.
        self._read()
        self._write(CR0, self._got[1 + CR0] & HZ50)
        self._write(CR0, self._cr0 & ~CONTINUOUS)
        self._write(CR1, self._cr1)
        self._write(CR0, self._cr0)

    def _write(self, register, value):
        self._select(0)
        self._spi.write(bytes((WRITE | register, value)))
        self._select(1)

    def _read(self):
        self._select(0)
        self._spi.write_readinto(self._ask, self._got)
        self._select(1)

    def add_to(self, line):
        """Append the channel's value, or the mark of why there is none."""
        self._read()
        got = self._got
        if got[1 + CR0] != self._cr0 or got[1 + CR1] != self._cr1:
            line.add(b"!fault")  # no chip, a loose wire, or a chip that lost its supply and forgot its settings
            self._set_up()
            return
        faults = got[1 + SR]
        if faults & IS_OPEN:
            line.add(b"!open")
        elif faults & IS_OVER_OR_UNDER:
            line.add(b"!short")  # a wire touches something that lies below ground or above the chip's supply
        elif faults & CJ_RANGE or (self._is_c and faults & TC_RANGE):
            line.add(b"!range")
        else:
            self._add_value(line, got)

    def _add_value(self, line, got):
        hot = got[1 + LTCBH] << 11 | got[2 + LTCBH] << 3 | got[3 + LTCBH] >> 5  # 19 bits, the lowest five unused
        if hot & 0x40000:
            hot -= 0x80000
        if self._is_c:
            line.add_thousandths((hot * 125 + 8) // 16)  # 1/128 C a step
            return
        # Gain 8 x 1.6 x 2**17 steps a volt, hence 9765.625 / 2**14 uV a step.
        line.add_thousandths((hot * 9765625 + 8192) // 16384)
        line.add(b"/")
        cold = got[1 + CJTH] << 6 | got[2 + CJTH] >> 2  # 14 bits, the lowest two unused
        if cold & 0x2000:
            cold -= 0x4000
        line.add_thousandths((cold * 125 + 4) // 8)  # 1/64 C a step


class Button:
    """A button between a pin and ground; a press counts once it has held for a moment."""

    def __init__(self, name, pin):
        self.name = name.encode()
        self._pin = Pin(pin, Pin.IN, Pin.PULL_UP)
        self._since, self._down, self._told = 0, False, False

    def pressed(self, now):
        """Whether a new press is to be told."""
        down = self._pin() == 0
        if down != self._down:
            self._down, self._since = down, now
        elif time.ticks_diff(now, self._since) >= DEBOUNCE_MS and down != self._told:
            self._told = down
            return down
        return False


def banner():
    """What the board is and which channels it has, without the checksum."""
    words = ["board 1 " + NAME]
    for name, unit, kind, _ in CHANNELS:
        words.append(name + ":" + unit + ("" if unit == "C" else ":" + kind))
    return " ".join(words).encode()


def run():
    """Measure and send for ever."""
    spi = SPI(
        SPI_BUS, baudrate=1000000, polarity=0, phase=1,
        sck=Pin(SPI_CLOCK_PIN), mosi=Pin(SPI_OUT_PIN), miso=Pin(SPI_IN_PIN),
    )  # fmt: skip
    # All selects go high before any chip is spoken to: a pin left floating may select its chip too.
    selects = [Pin(pin, Pin.OUT, value=1) for _, _, _, pin in CHANNELS]
    chips = [Chip(spi, CHANNELS[i][1], CHANNELS[i][2], selects[i]) for i in range(len(CHANNELS))]
    buttons = [Button(name, pin) for name, pin in BUTTONS]
    announcement, line, counters = banner(), Line(), Counters()
    line.start(announcement)
    tag = b" " + bytes(line.end())  # in every line of values: it says whose names they have
    heard = select.poll()
    heard.register(sys.stdin, select.POLLIN)
    watchdog = WDT(timeout=WATCHDOG_MS) if WATCHDOG_MS else None
    now = counters.tick()
    banner_at = due = now
    while True:
        if watchdog:
            watchdog.feed()
        now = counters.tick()
        # One byte a turn is enough for a question, and a flood of bytes cannot keep the program from measuring.
        asked = heard.poll(0) and sys.stdin.buffer.read(1) == b"?"
        if asked or time.ticks_diff(now, banner_at) >= 0:
            banner_at = time.ticks_add(now, BANNER_EVERY_MS)
            line.start(announcement)
            line.send()
        for button in buttons:
            if button.pressed(now):
                counters.stamp(line, b"b ")
                line.add(b" ")
                line.add(button.name)
                line.send()
        if time.ticks_diff(now, due) >= 0:
            due = time.ticks_add(due, PERIOD_MS)
            if time.ticks_diff(now, due) >= 0:  # the program was held up: do not hurry after what was missed
                due = time.ticks_add(now, PERIOD_MS)
            counters.stamp(line, b"d ")
            line.add(tag)
            for chip in chips:
                line.add(b" ")
                chip.add_to(line)
            line.send()
        time.sleep_ms(IDLE_MS)


if __name__ == "__main__":
    run()

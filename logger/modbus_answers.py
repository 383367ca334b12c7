"""What a Modbus module's answers mean, without any port: bytes in, answers and faults out; registers in, values out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.exceptions import ModbusException
from pymodbus.framer.base import FramerBase
from pymodbus.pdu import ModbusPDU

from logger.channel_map import with_cold_junctions
from logger.modbus_map import TYPES, Block, ModbusMap, Register, is_code
from logger.reading import Fault, FaultKind, State, Value

_CONVERTER = ModbusClientMixin[ModbusPDU]
#: Meanings after MODBUS Application Protocol Specification V1.1b3, section 7, and what to do.
EXCEPTIONS: Mapping[int, str] = {
    1: "it does not know this kind of request; try the other table ('input' or 'holding') for the channel",
    2: "it has no such registers; compare the addresses with its manual (a manual's 30001 or 40001 is address 0 here) "
    "and set largest_gap = 0",
    3: "it refuses the number of registers asked for; set registers_at_once lower",
    4: "it has failed inside; switch it off and on, and replace it if that does not help",
    5: "it needs more time and has only confirmed the request; make period_s longer",
    6: "it is busy; make period_s longer",
    7: "it cannot do what was asked; compare the map with its manual",
    8: "its memory is faulty; replace it",
    10: "the gateway has no way to it; check the gateway's settings",
    11: "the gateway got no answer from it; check device_id, its supply and the line between gateway and module",
}


class AnswerParser:
    """Collects the bytes that come back and cuts them into answers, whichever pieces they come in."""

    def __init__(self, framer: FramerBase) -> None:
        self._framer = framer
        self._sent = b""
        self._buffer = b""

    @property
    def unfinished(self) -> bytes:
        """Bytes that are no answer yet."""
        return self._buffer

    def expect(self, sent: bytes) -> None:
        """A request went out: what is left of earlier answers is void."""
        self._sent, self._buffer = sent, b""

    def feed(self, data: bytes) -> list[ModbusPDU | Fault]:
        """The answers that these bytes complete, and what is wrong with them."""
        self._buffer += data
        if self._sent and self._buffer.startswith(self._sent):  # two-wire adapters may hear themselves
            self._buffer, self._sent = self._buffer[len(self._sent) :], b""
        found: list[ModbusPDU | Fault] = []
        while self._buffer and not self._sent.startswith(self._buffer):
            raw = self._buffer
            try:
                used, answer = self._framer.handleFrame(raw, 0, 0)
            except ModbusException:
                self._buffer = b""
                text = "the module's answer makes no sense; check transport, baud rate and what else is on the line"
                found.append(Fault(FaultKind.GARBAGE, text, raw))
                break
            if answer is not None:  # pymodbus throws away what follows an RTU answer; there may be another one
                whole = self._framer.buildFrame(answer)
                used = raw.find(whole) + len(whole) if whole in raw else used
            self._buffer = raw[used:]
            if answer is not None:
                found.append(answer)
            elif used:
                text = "an answer was damaged on the line and is thrown away; check cable, shield and termination"
                found.append(Fault(FaultKind.CHECKSUM, text, raw[:used]))
            else:
                break
        return found


def judge(answer: ModbusPDU, function_code: int, block: Block, device_id: int) -> Fault | None:
    """What is wrong with the answer to the request for a block; None where nothing is."""
    if answer.dev_id != device_id:
        text = (
            f"module {device_id} was asked and module {answer.dev_id} answered; check device_id and the module's switch"
        )
        return Fault(FaultKind.FOREIGN, text)
    what = f"{block.table} registers {block.address} to {block.address + block.count - 1}"
    if answer.isError():
        code = answer.exception_code
        meaning = EXCEPTIONS.get(code, "its manual has the meaning")
        return Fault(FaultKind.REFUSED, f"the module refused {what} with exception {code}: {meaning}")
    if answer.function_code != function_code:
        text = f"the module answered another request than that for {what}; is a second program asking it?"
        return Fault(FaultKind.GARBAGE, text)
    if len(answer.registers) != block.count:
        text = f"the module sent {len(answer.registers)} of {what}; compare the map with its manual"
        return Fault(FaultKind.WRONG_COUNT, text)
    return None


def number_in(register: Register, words: Sequence[int]) -> float:
    """The number in a channel's registers (each 0 to 65535), before scale and offset."""
    kind = _CONVERTER.DATATYPE[register.type.upper()]
    number = _CONVERTER.convert_from_registers(list(words), kind, register.word_order)
    if not isinstance(number, int | float):
        raise TypeError(f"{register.type} gave {number!r}")
    return float(number)


def value_in(register: Register, words: Sequence[int]) -> Value:
    """The value in a channel's registers, or the state that takes its place."""
    number = number_in(register, words)
    if is_code(number, register.open_codes):
        return register.channel.missing(State.OPEN)
    return register.channel.value(number)


def values_in(module: ModbusMap, answers: Mapping[Block, Sequence[int]]) -> tuple[Value, ...]:
    """All channels in the map's order; those whose block was not answered have no reading."""
    values = {index: module.registers[index].channel.missing() for index in range(len(module.registers))}
    for block, words in answers.items():
        for index in block.indices:
            register = module.registers[index]
            start = register.address - block.address
            values[index] = value_in(register, words[start : start + TYPES[register.type][1]])
    return with_cold_junctions(module.channels, values.values())

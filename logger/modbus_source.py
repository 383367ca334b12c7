"""Readings of a Modbus temperature module: asked on its period, one request at a time, over TCP or a serial line (RTU).

A poll never waits for the module longer than its caller wants: it sends, looks for the answer while it has time, and
the next poll looks further. Real hardware answers in real time, so the clock should run at the machine's speed.

An answer on a serial line says neither which registers it holds nor which request it belongs to: a late one would pass
for the answer to the next request. So after a request without a good answer the line is out of step, and nothing is
asked until it is in step again. A module answers once for each request, in their order; so it is in step
- when exactly the answer that is owed has come, and is thrown away; or
- after a long silence and one answer more, which is thrown away too.
What comes unasked afterwards starts this anew.
"""

from __future__ import annotations

import math

from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from logger.backoff import Backoff
from logger.clock import Clock
from logger.modbus_answers import judge, values_in
from logger.modbus_map import Block, ModbusMap, Rtu
from logger.modbus_wire import ModbusWire
from logger.reading import Arrival, Fault, FaultKind, Frame, Link, LinkState
from logger.wire_errors import PortBusy, TransportLost, WireError

_REQUESTS = {"holding": ReadHoldingRegistersRequest, "input": ReadInputRegistersRequest}
#: Requests in a row without an answer after which the module is called silent and the connection is made anew (a
#: module that was switched off and on has forgotten it).
SILENT_AFTER = 3
_LAST_ID = 65_535  # transactions are counted in 16 bit
#: How long a serial line stays unasked after a request without an answer, s, and in the module's own timeouts: many
#: times what a module takes that is alive (estimate; modules answer within 0.01 to 0.5 s).
OUT_OF_STEP_S = 3.0
OUT_OF_STEP_TIMEOUTS = 10.0
_BITS_PER_BYTE = 11  # of an RTU frame: start, 8, parity, stop


class ModbusSource:
    """A module as a source.

    Args:
        module: its map. clock: what waits and stamps. source_id: name of the source, the map's own where ''.
    """

    def __init__(self, module: ModbusMap, clock: Clock, source_id: str = "") -> None:
        self.id = source_id or module.id
        self._map, self._clock = module, clock
        self._wire = ModbusWire(module)
        self._backoff = Backoff()
        self._out: list[Arrival] = []
        self._link: Link | None = None
        self._open = self._ended = False
        self._retry_s = self._due_s = -math.inf
        self._to_ask: list[Block] = []  # of the reading under way, the block being asked first
        self._words: dict[Block, list[int]] = {}
        self._transaction = 0
        self._deadline_s: float | None = None  # of the answer awaited
        self._serial = isinstance(module.transport, Rtu)
        self._quiet_until_s = -math.inf
        self._owed: Block | None = None  # of a serial line out of step: the request whose answer may still come
        self._heard = False  # anything since the request
        self._unanswered = 0

    def poll(self, timeout_s: float) -> list[Arrival]:
        """See `Source.poll`. Making a connection may take 0.05 s where `timeout_s` is shorter."""
        self._out = []
        if self._ended:
            return []
        end_s = self._now() + max(timeout_s, 0.0)
        if self._link is None:
            self._say(Link(LinkState.OPENING, f"connecting to module {self._map.device_id} at {self._map.transport}"))
        while True:
            try:
                went_on = self._step(max(end_s - self._now(), 0.0))
            except TransportLost as error:
                self._lose(error)
                break
            if self._out or not went_on:
                break
        return self._out

    def close(self) -> None:
        """See `Source.close`."""
        self._ended = True
        self._wire.close()

    def _step(self, time_s: float) -> bool:
        """One thing that can be done within `time_s`; False where there is none."""
        if not self._open:
            return self._wait_until(self._retry_s, time_s) and self._connect(time_s)
        if self._deadline_s is not None:
            return self._await_answer(time_s, self._deadline_s)
        if self._now() < self._quiet_until_s:
            return self._await_quiet(time_s)
        if self._to_ask:
            return self._ask()
        if not self._wait_until(self._due_s, time_s):
            return False
        self._take_strays(0.0)
        if not self._out:
            self._begin()
        return True

    def _wait_until(self, moment_s: float, time_s: float) -> bool:
        """Whether the moment has come, after waiting for it at most `time_s`."""
        wait_s = min(moment_s - self._now(), time_s)
        if wait_s > 0.0:
            self._clock.sleep(wait_s)
        return self._now() >= moment_s

    def _connect(self, time_s: float) -> bool:
        try:
            self._wire.open(min(time_s, self._map.timeout_s))
        except WireError as error:
            self._lose(error)
            return False
        self._open = True
        return True

    def _begin(self) -> None:
        """Start a reading; the next is due on the grid of the period, and missed ones are not made up for."""
        now_s, period_s = self._now(), self._map.period_s
        start_s = self._due_s if math.isfinite(self._due_s) else now_s
        self._due_s = start_s + (math.floor((now_s - start_s) / period_s) + 1) * period_s
        self._to_ask, self._words = list(self._map.blocks), {}

    def _ask(self) -> bool:
        block = self._to_ask[0]
        self._transaction = self._transaction % _LAST_ID + 1
        request = _REQUESTS[block.table](
            address=block.address, count=block.count, dev_id=self._map.device_id, transaction_id=self._transaction
        )
        self._heard = False
        self._wire.send(request)
        self._deadline_s = self._now() + self._map.timeout_s + self._line_time_s(block)
        return True

    def _line_time_s(self, block: Block) -> float:
        """How long request and answer are on a serial line."""
        place = self._map.transport
        return _BITS_PER_BYTE * (8 + 5 + 2 * block.count) / place.baud if isinstance(place, Rtu) else 0.0

    def _await_answer(self, time_s: float, deadline_s: float) -> bool:
        came, answers = self._wire.listen(min(time_s, deadline_s - self._now()))
        self._heard = self._heard or bool(answers)
        if self._serial and sum(self._is_ours(answer) for answer in answers) > 1:
            self._put(self._late())  # and nobody knows which of them it is
            self._words = {}
            self._fall_out_of_step()
            return True
        for answer in answers:
            if isinstance(answer, Fault):
                self._put(answer)
            elif self._deadline_s is None or self._is_late(answer):
                self._put(self._late())
            else:
                self._take(answer)
        if self._deadline_s is not None and self._now() >= deadline_s:
            self._give_up()
            return True
        return came and time_s > 0.0  # else a line that is never quiet would hold us here

    def _is_late(self, answer: ModbusPDU) -> bool:
        """Whether it belongs to an earlier request, which only TCP can tell by its number."""
        return answer.transaction_id != self._transaction and not self._serial

    def _is_ours(self, answer: ModbusPDU | Fault) -> bool:
        """Whether the module of this map sent it, whole."""
        return not isinstance(answer, Fault) and answer.dev_id == self._map.device_id

    def _take(self, answer: ModbusPDU) -> None:
        """An answer to the request under way."""
        block = self._to_ask[0]
        fault = judge(answer, _REQUESTS[block.table].function_code, block, self._map.device_id)
        if fault is not None:
            self._put(fault)
            if fault.kind is FaultKind.FOREIGN:
                return  # the module that was asked may still answer
        if self._serial and fault is not None and fault.kind is not FaultKind.REFUSED:
            self._fall_out_of_step()  # it may be the answer to something else, and ours still on its way
            return
        self._deadline_s = None
        self._unanswered = 0
        self._backoff.reset()
        if self._owed is not None:  # the silence was long, and still this may be the answer that was owed
            self._owed = None
            self._quiet_until_s = self._now() + self._map.timeout_s
            self._to_ask, self._words = [], {}
            return
        if fault is None:
            self._words[block] = list(answer.registers)
        self._say(Link(LinkState.RUNNING, f"module {self._map.device_id} at {self._map.transport} answers"))
        del self._to_ask[0]
        if not self._to_ask:
            self._finish()

    def _finish(self) -> None:
        """The end of a reading: a frame, if anything was read."""
        self._to_ask = []
        if self._words:
            self._put(Frame(None, None, values_in(self._map, self._words)))
            self._words = {}

    def _give_up(self) -> None:
        """The module's time for an answer is over."""
        self._deadline_s = None
        rest = self._wire.unfinished
        block = self._to_ask[0]
        if rest:
            text = (
                f"the module's answer broke off after {len(rest)} bytes and is thrown away; check the cable, and baud "
                "rate and parity where the line is serial"
            )
            self._put(Fault(FaultKind.SHORT_LINE, text, rest))
        elif not self._heard:
            self._unanswered += 1
            text = (
                f"module {self._map.device_id} at {self._map.transport} gave no answer for {block.table} registers "
                f"from {block.address} within {self._map.timeout_s:g} s; check its supply, the line and device_id"
            )
            self._put(Fault(FaultKind.SILENT, text))
        nothing = not self._words
        if self._serial:
            self._fall_out_of_step()
        else:
            self._finish()
        if self._unanswered and self._unanswered % SILENT_AFTER == 0:
            self._fall_silent()
            self._disconnect()
        elif self._serial and self._unanswered and nothing:
            self._fall_silent()  # at once, as it is some time until the next request
        elif rest and not self._serial:
            self._disconnect()  # the stream has lost its step

    def _fall_out_of_step(self) -> None:
        """The request under way on a serial line has no good answer: end the reading and leave the line quiet."""
        self._owed, self._deadline_s = self._to_ask[0], None
        self._finish()
        self._be_quiet()

    def _be_quiet(self) -> None:
        """For so long that an answer on its way would have come."""
        self._quiet_until_s = self._now() + max(OUT_OF_STEP_S, OUT_OF_STEP_TIMEOUTS * self._map.timeout_s)

    def _fall_silent(self) -> None:
        text = (
            f"module {self._map.device_id} at {self._map.transport} is connected and does not answer: check that it "
            "has power, that device_id is the one set on it, and that its two data wires are not swapped; it is asked "
            "again"
        )
        self._say(Link(LinkState.SILENT, text))

    def _await_quiet(self, time_s: float) -> bool:
        """Keep the line free for an answer that is late."""
        came = self._take_strays(min(time_s, self._quiet_until_s - self._now()))
        return (came and time_s > 0.0) or self._now() >= self._quiet_until_s

    def _take_strays(self, time_s: float) -> bool:
        """What comes while nothing is awaited is late, and no reading of now."""
        came, answers = self._wire.listen(time_s)
        for answer in answers:
            self._put(answer if isinstance(answer, Fault) else self._late())
            if self._serial and not isinstance(answer, Fault) and self._is_ours(answer):
                self._settle(answer)
        return came

    def _settle(self, stray: ModbusPDU) -> None:
        """A late answer on a serial line: the one that was owed brings it into step, any other out of it."""
        owed = self._owed
        if owed is not None:
            fault = judge(stray, _REQUESTS[owed.table].function_code, owed, self._map.device_id)
            if fault is None or fault.kind is FaultKind.REFUSED:
                self._owed = None
                self._quiet_until_s = self._now() + self._map.timeout_s
                return
        self._owed = owed or self._map.blocks[0]
        self._be_quiet()

    def _late(self) -> Fault:
        text = (
            f"the module answered after more than {self._map.timeout_s:g} s, too late to count; make timeout_s longer"
        )
        return Fault(FaultKind.LATE, text)

    def _lose(self, error: WireError) -> None:
        self._disconnect()
        self._retry_s = self._now() + self._backoff.again()
        self._say(
            Link(LinkState.BUSY if isinstance(error, PortBusy) else LinkState.LOST, f"{error.text}; it is tried again")
        )

    def _disconnect(self) -> None:
        self._wire.close()
        self._open = False
        if self._serial and self._deadline_s is not None and self._to_ask:  # a serial server may deliver it later
            self._owed = self._to_ask[0]
            self._be_quiet()
        self._deadline_s, self._to_ask, self._words = None, [], {}

    def _say(self, link: Link) -> None:
        """Report the connection where it has changed."""
        if link != self._link:
            self._link = link
            self._put(link)

    def _put(self, what: Frame | Fault | Link) -> None:
        self._out.append(Arrival(self._now(), self._clock.utc(), what))

    def _now(self) -> float:
        return self._clock.monotonic_s()

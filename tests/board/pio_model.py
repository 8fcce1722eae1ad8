"""State machines of one PIO block, run from the words of their programs, for tests.

Runs under CPython and MicroPython. Time is counted in whole units that the caller chooses; a cycle of a
state machine lasts a whole number of them. What an instruction does is there from the next cycle on. A
decrement that jumps to itself is done in one go, which makes a whole shot a dozen steps.
"""

_MASK = 0xFFFFFFFF
_DEPTH = 4


class Block:
    """What state machines share: interrupt flags and pins, and what happens when something changes."""

    def __init__(self):
        self.flags = 0
        self.machines = []
        self.on_pin = lambda time, pin, level: None
        self.on_push = lambda time, machine: None

    def next_time(self):
        """When something happens next; None while all wait."""
        due = [machine.next for machine in self.machines if machine.enabled and machine.next is not None]
        return min(due) if due else None

    def run(self, time):
        """Everything that is due at `time`."""
        for machine in self.machines:
            if machine.enabled and machine.next is not None and machine.next <= time:
                machine.step()

    def wake(self, time):
        """Something changed at `time`: whoever waits looks again in its next cycle."""
        for machine in self.machines:
            if machine.enabled and machine.next is None:
                machine.next = machine.after(time)


class Machine:
    """One state machine."""

    def __init__(self, block):
        self.block = block
        block.machines.append(self)
        self.program = None
        self.enabled = False
        self.pin = None
        self.cycle = 1
        self.origin = 0
        self.clear(0)

    def clear(self, time):
        self.pc = self.x = self.y = self.isr = self.osr = 0
        self.tx = []
        self.rx = []
        self.next = None
        self.origin = time

    def after(self, time):
        """The first of this machine's cycles that begins later than `time`."""
        return self.origin + ((time - self.origin) // self.cycle + 1) * self.cycle

    def enable(self, time):
        self.enabled = True
        self.next = self.after(time)

    def step(self):
        word = self.program.words[self.pc]
        time = self.next
        self.next = time + self.cycle
        kind = word >> 13
        if kind == 0:
            self._jump(word)
        elif self.execute(word, time):
            self._advance()
        else:
            self.next = None

    def _advance(self):
        self.pc = self.program.wrap_target if self.pc == self.program.wrap_top else self.pc + 1

    def _jump(self, word):
        condition, address = word >> 5 & 7, word & 31
        if condition == 0:
            self.pc = address
            return
        name = {2: "x", 4: "y"}[condition]
        value = getattr(self, name)
        if address == self.pc:
            self.next += value * self.cycle
            value = 0
        setattr(self, name, value - 1 & _MASK)
        if value:
            self.pc = address
        else:
            self._advance()

    def execute(self, word, time):
        """One instruction but jmp; False when it has to wait."""
        kind, operand = word >> 13, word & 0xFF
        if kind == 1:
            return self._wait(operand)
        if kind == 4:
            return self._pull(time) if operand & 0x80 else self._push(time)
        if kind == 3:
            return self._out(operand)
        if kind == 5:
            return self._move(operand)
        if kind == 6:
            return self._irq(operand, time)
        if kind == 7 and operand >> 5 == 0:
            if self.pin is not None:
                self.block.on_pin(time + self.cycle, self.pin, operand & 1)
            return True
        raise ValueError("the model does not know " + hex(word))

    def _wait(self, operand):
        if operand >> 5 != 0b110:
            raise ValueError("the model waits for flags to be 1 only")
        flag = 1 << (operand & 7)
        if not self.block.flags & flag:
            return False
        self.block.flags &= ~flag
        return True

    def _pull(self, time):
        if not self.tx:
            return False
        self.osr = self.tx.pop(0)
        return True

    def _push(self, time):
        if len(self.rx) == _DEPTH:
            return False
        self.rx.append(self.isr)
        self.isr = 0
        self.block.on_push(time + self.cycle, self)
        return True

    def _out(self, operand):
        bits = operand & 31 or 32
        if self.program.out_shiftdir != 1:
            raise ValueError("the model shifts out to the right only")
        setattr(self, {1: "x", 2: "y"}[operand >> 5], self.osr & (1 << bits) - 1)
        self.osr >>= bits
        return True

    def _move(self, operand):
        names = {1: "x", 2: "y", 6: "isr", 7: "osr"}
        setattr(self, names[operand >> 5], getattr(self, names[operand & 7]))
        return True

    def _irq(self, operand, time):
        flag = 1 << (operand & 7)
        if operand & 0x40:
            self.block.flags &= ~flag
        else:
            self.block.flags |= flag
            self.block.wake(time)
        return True

"""Assembles the firmware's PIO programs for tests: what `rp2.asm_pio` does on the board, written anew.

Runs under CPython and MicroPython. The encoding is that of the RP2040 datasheet's table of PIO
instructions (from memory, cross-checked in test_pio_programs.py against two assemblers' words):

    jmp  000 ddddd ccc aaaaa      out  011 ddddd ttt nnnnn      irq  110 ddddd 0cw iiiii
    wait 001 ddddd pss iiiii      push 100 ddddd 0fb 00000      set  111 ddddd ttt vvvvv
    in   010 ddddd sss nnnnn      pull 100 ddddd 1eb 00000      mov  101 ddddd ttt ooc ss
"""

OUT_LOW = 2
OUT_HIGH = 3
SHIFT_LEFT = 0
SHIFT_RIGHT = 1

_JUMP = {"always": 0, "not_x": 1, "x_dec": 2, "not_y": 3, "y_dec": 4, "x_not_y": 5, "pin": 6, "not_osre": 7}
_OUT = {"pins": 0, "x": 1, "y": 2, "null": 3, "pindirs": 4, "pc": 5, "isr": 6, "exec": 7}
_MOV_TO = {"pins": 0, "x": 1, "y": 2, "exec": 4, "pc": 5, "isr": 6, "osr": 7}
_MOV_FROM = {"pins": 0, "x": 1, "y": 2, "null": 3, "status": 5, "isr": 6, "osr": 7}
_SET = {"pins": 0, "x": 1, "y": 2, "pindirs": 4}
_WAIT = {"gpio": 0, "pin": 1, "irq": 2}
_DIRECTIVES = ("label", "wrap_target", "wrap")
_INSTRUCTIONS = ("jmp", "wait", "out", "push", "pull", "mov", "irq", "set")


class Program:
    """Assembled words, the address the program wraps from and to, and the level its pins begin with."""

    def __init__(self, set_init, out_shiftdir):
        self.words = []
        self.labels = {}
        self.wrap_target = 0
        self.wrap_top = -1
        self.set_init = set_init
        self.out_shiftdir = out_shiftdir


class _Pass:
    """One pass over a program; on the second all labels are known."""

    def __init__(self, program):
        self._program = program
        program.words = []

    def _word(self, word):
        self._program.words.append(word)

    def label(self, name):
        self._program.labels[name] = len(self._program.words)

    def wrap_target(self):
        self._program.wrap_target = len(self._program.words)

    def wrap(self):
        self._program.wrap_top = len(self._program.words) - 1

    def jmp(self, condition, label=None):
        if label is None:
            condition, label = "always", condition
        self._word(_JUMP[condition] << 5 | self._program.labels.get(label, 0))

    def wait(self, polarity, source, index):
        # `irq` is the instruction of that name, used as the name of a source
        name = source if isinstance(source, str) else "irq"
        self._word(0x2000 | polarity << 7 | _WAIT[name] << 5 | index)

    def out(self, to, bits):
        self._word(0x6000 | _OUT[to] << 5 | bits & 31)

    def push(self, mode="block"):
        self._word(0x8000 | (mode == "block") << 5)

    def pull(self, mode="block"):
        self._word(0x8080 | (mode == "block") << 5)

    def mov(self, to, source):
        self._word(0xA000 | _MOV_TO[to] << 5 | _MOV_FROM[source])

    def irq(self, first, second=None):
        mode, index = (None, first) if second is None else (first, second)
        self._word(0xC000 | (mode == "clear") << 6 | (mode == "block") << 5 | index)

    def set(self, to, value):
        self._word(0xE000 | _SET[to] << 5 | value)

    def names(self):
        names = {name: name for name in ("block", "noblock", "clear")}
        for table in (_JUMP, _OUT, _MOV_TO, _MOV_FROM, _SET, _WAIT):
            names.update({name: name for name in table})
        names.update({name: getattr(self, name) for name in _DIRECTIVES + _INSTRUCTIONS})
        return names


def asm_pio(set_init=None, in_shiftdir=SHIFT_LEFT, out_shiftdir=SHIFT_LEFT):
    """Decorator that turns a function of PIO instructions into a Program."""

    def assemble(function):
        program = Program(set_init, out_shiftdir)
        seen = function.__globals__
        kept = dict(seen)
        for _ in range(2):
            # As on the board, a program sees instructions and nothing of its file.
            seen.clear()
            seen.update(_Pass(program).names())
            try:
                function()
            finally:
                seen.clear()
                seen.update(kept)
        if program.wrap_top < 0:
            program.wrap_top = len(program.words) - 1
        return program

    return assemble

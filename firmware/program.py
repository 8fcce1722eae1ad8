# The three programs of the PIO, and how many ticks they take.
#
# gate    waits for a word, then raises flag 4. It runs at the converter's clock, so that the start
#         always lies at the same place between two edges of that clock: the tick it falls on leaves
#         the same remainder by 3 each time.
# strike  takes three words: what starts the converter, the delay and the width. It waits for flag 4,
#         hands the first word to the DMA, waits, and holds the pin high. It runs at every tick.
# tally   counts the ticks it was told and hands back a word; used to compare the tick with the timer.
#
# Ticks of strike: with delay word d the pin rises d + 2 ticks after the word was handed over (d + 1 for
# the loop, 1 for the instruction that raises it), with width word w it is high for w + 2 ticks. Words
# are 16 bits wide, which bounds delay and width to 65537 ticks whatever is asked.
#
# Nothing but instructions can be used inside a program: while it is assembled, this file's own names
# are out of sight.

import rp2

TYPE_CHECKING = False
if TYPE_CHECKING:
    from rp2.asm_pio import (
        block,
        irq,
        isr,
        jmp,
        label,
        mov,
        osr,
        pins,
        pull,
        push,
        set,
        wait,
        x,
        x_dec,
        y,
        y_dec,
    )

OVERHEAD_TICKS = 2
LEAST_TICKS = 2
MOST_TICKS = 65537

# Single instructions, for exec() while no program runs.
FLAG_CLEAR = 0xC044  # irq clear 4


@rp2.asm_pio()
def gate():
    pull(block)
    irq(4)


@rp2.asm_pio(set_init=rp2.PIO.OUT_LOW)
def strike():
    pull(block)
    mov(isr, osr)
    pull(block)
    mov(x, osr)
    pull(block)
    mov(y, osr)
    wait(1, irq, 4)  # pyright: ignore[reportArgumentType] # the source, not the instruction
    push(block)
    label("delay")
    jmp(x_dec, "delay")
    set(pins, 1)
    label("width")
    jmp(y_dec, "width")
    set(pins, 0)


@rp2.asm_pio()
def tally():
    pull(block)
    mov(x, osr)
    label("tick")
    jmp(x_dec, "tick")
    push(block)

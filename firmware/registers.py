# Addresses and bits of the two chips, as far as shot.py and clock.py touch them.
#
# The numbers are those of the chips' register headers in pico-sdk 2.2.0 (adc.h, clocks.h, busctrl.h,
# addressmap.h, dreq.h of rp2040 and rp2350). Both converters are the same but for their address; the
# field AINSEL starts at bit 12 on both and is wider on the RP2350.
#
# An address is above 2**30, so MicroPython keeps it as an object: it is made once here, never
# computed where a shot is prepared.

from micropython import const

# Writing to a register's alias sets or clears just the bits that are 1 in the value.
_SET = const(0x2000)
_CLEAR = const(0x3000)

# ADC CS
CS_EN = const(1 << 0)
CS_TEMPERATURE = const(1 << 1)
CS_START_MANY = const(1 << 3)
CS_READY = const(1 << 8)
CS_ERR = const(1 << 9)
CS_INPUT = const(12)  # lowest bit of AINSEL

# ADC FCS
FCS_EN = const(1 << 0)
FCS_ERR = const(1 << 2)  # each sample carries its error flag in bit 15
FCS_DREQ_EN = const(1 << 3)
FCS_UNDER = const(1 << 10)  # written 1: cleared
FCS_OVER = const(1 << 11)  # written 1: cleared
FCS_LEVEL = const(15 << 16)
FCS_EACH_SAMPLE = const(1 << 24)  # a request to the DMA as soon as one sample is there

# CLK_ADC_CTRL
CLOCK_ENABLE = const(1 << 11)
CLOCK_FROM_PLL_USB = const(0 << 5)
CLOCK_FROM_PLL_SYS = const(1 << 5)

# BUSCTRL BUS_PRIORITY: reads and writes of the DMA before those of the processors
BUS_DMA_FIRST = const(1 << 8 | 1 << 12)

DREQ_NONE = const(63)  # a DMA channel that waits for nobody
DREQ_PIO0_RX = const(4)  # of state machine 0; the next three are those of 1 to 3


class Chip:
    def __init__(self, name, default_hz, adc, dreq_adc, clk_adc, divider_bit, bus_priority):
        self.name = name
        self.default_hz = default_hz
        self.cs = adc
        self.cs_set = adc + _SET
        self.cs_clear = adc + _CLEAR
        self.fcs = adc + 0x08
        self.fifo = adc + 0x0C
        self.div = adc + 0x10
        self.dreq_adc = dreq_adc
        self.clk_adc = clk_adc
        self.clk_adc_set = clk_adc + _SET
        self.clk_adc_clear = clk_adc + _CLEAR
        self.clk_adc_div = clk_adc + 0x04
        self.divider_bit = divider_bit
        self.bus_priority = bus_priority


RP2040 = Chip("rp2040", 125_000_000, 0x4004C000, 36, 0x40008060, 8, 0x40030000)
RP2350 = Chip("rp2350", 150_000_000, 0x400A0000, 48, 0x4001006C, 16, 0x40068000)


def chip_of(machine):
    # The build's own description, "Raspberry Pi Pico 2 with RP2350" for instance.
    for chip in (RP2040, RP2350):
        if chip.name.upper() in machine:
            return chip
    raise ValueError("no register table for " + repr(machine) + "; use a board with RP2040 or RP2350")

# Start-up, and the way back to the prompt: Ctrl-C at any time, or BOOTSEL held at start.

import sys

import board
from console import Console
from interlock import Interlock
from service import Service
from store import Store


# hardware: see shot.py, closed by the caller; console: see console.py; path: the constants' file
def run(hardware, console, path="constants.txt"):
    store = Store(path, board.CONSTANTS)
    interlock = Interlock(hardware, store)
    Service(hardware, console, interlock, store).serve()


def main():
    import shot

    if shot.bootsel_held():
        print("coilbell: BOOTSEL is held, the tester is not started")
        return
    hardware = shot.Hardware()
    try:
        hardware.start()
        run(hardware, Console(sys.stdin.buffer, sys.stdout.buffer, sys.stdin))
    except KeyboardInterrupt:
        print("coilbell: stopped by Ctrl-C; Ctrl-D starts it again")
    finally:
        hardware.close()


if __name__ == "__main__":
    main()

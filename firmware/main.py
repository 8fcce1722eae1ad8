# Start-up, and the way back to the prompt: Ctrl-C at any time, or BOOTSEL held at start.
#
# The other files are imported within main: they take most of the start, and Ctrl-C is heard in it as well.

import sys


# hardware: see shot.py, closed by the caller; console: see console.py; path: the constants' file
def run(hardware, console, path="constants.txt"):
    import board
    from interlock import Interlock
    from service import Service
    from store import Store

    store = Store(path, board.CONSTANTS)
    interlock = Interlock(hardware, store)
    Service(hardware, console, interlock, store).serve()


def main():
    import micropython

    try:
        _serve()
    except KeyboardInterrupt:
        micropython.kbd_intr(-1)  # no second one may interrupt this; the prompt hears them again by itself
        print("coilbell: stopped by Ctrl-C; Ctrl-D starts it again")


def _serve():
    import shot
    from console import Console

    if shot.bootsel_held():
        print("coilbell: BOOTSEL is held, the tester is not started")
        return
    hardware = shot.Hardware()
    try:
        hardware.start()
        run(hardware, Console(sys.stdin.buffer, sys.stdout.buffer, sys.stdin))
    finally:
        _close(hardware)


# Ctrl-C as often as one likes: close hears none, but one may have been on its way when it began.
def _close(hardware):
    try:
        hardware.close()
    except KeyboardInterrupt:
        hardware.close()


if __name__ == "__main__":
    main()

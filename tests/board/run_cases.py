"""Runs the cases of one module: `INTERPRETER run_cases.py MODULE`, under CPython and MicroPython alike.

Prints one line a case and at last "N passed, N failed"; exit code 1 when one failed.
"""

import sys

HERE = __file__.rsplit("/", 1)[0] if "/" in __file__ else "."
ROOT = HERE + "/../.."
sys.path[:0] = [HERE, ROOT + "/tests/golden", ROOT + "/firmware", ROOT + "/host/coilbell/board"]


def run(module_name):
    module = __import__(module_name)
    names = sorted(name for name in dir(module) if name.startswith("test_"))
    failed = 0
    for name in names:
        try:
            getattr(module, name)()
            print("ok", name)
        except Exception as error:
            failed += 1
            print("FAILED", name)
            _explain(error)
    print("%d passed, %d failed" % (len(names) - failed, failed))
    return 1 if failed or not names else 0


def _explain(error):
    if hasattr(sys, "print_exception"):
        sys.print_exception(error)  # MicroPython
    else:
        import traceback

        traceback.print_exception(error)


if __name__ == "__main__":
    sys.exit(run(sys.argv[1]))

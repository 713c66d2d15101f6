"""Run the checks of one module on MicroPython: `micropython run.py FIRMWARE_FOLDER MODULE [CHECK] [NAME=INTEGER]`.

Prints "ok NAME" or "FAILED NAME" with a traceback for each function whose name begins with "check_".
"""

import sys


def main():
    here = sys.argv[0].rsplit("/", 1)[0]
    sys.path.insert(0, here)
    sys.path.insert(0, sys.argv[1])
    module = __import__(sys.argv[2])
    wanted = [argument for argument in sys.argv[3:] if "=" not in argument]
    for argument in sys.argv[3:]:
        if "=" in argument:
            name, value = argument.split("=")
            setattr(module, name, int(value))
    for name in sorted(dir(module)):
        if not name.startswith("check_") or (wanted and name not in wanted):
            continue
        try:
            getattr(module, name)()
        except Exception as error:
            print("FAILED", name)
            sys.print_exception(error)
        else:
            print("ok", name)


main()

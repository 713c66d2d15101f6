"""Run the test functions of one module of shared/ on MicroPython and print the name of each that passed.

Arguments: the firmware folder and the module's path. An exception ends the run with its traceback.
"""

import sys

sys.path.insert(0, sys.argv[1])
folder, name = sys.argv[2].rsplit("/", 1)
sys.path.insert(0, folder)
module = __import__(name[:-3])
for name in dir(module):
    if name.startswith("test_"):
        getattr(module, name)()
        print(name)

"""Run a command and write what it used: python -I -S launch.py FILE COMMAND...

A process begins with the peak memory of the one it was forked from (Linux keeps it through exec),
so whatever starts the command to be measured must itself be small.
"""

import json
import os
import subprocess
import sys
import time

start = time.perf_counter()
with subprocess.Popen(sys.argv[2:]) as process:
    _, status, used = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - start
    process.returncode = os.waitstatus_to_exitcode(status)
with open(sys.argv[1], "w", encoding="utf-8") as file:
    json.dump({"code": process.returncode, "wall_s": seconds,
               "cpu_s": used.ru_utime + used.ru_stime, "peak_MiB": used.ru_maxrss / 1024.0}, file)

"""Starts `panelwright` again and again without loading its libraries anew; run as a process of its own.

Each line on stdin is a JSON list: a named pipe for the output, then the command's words. Answers with the
process's number, and with its exit code once it has ended. Single-threaded, so that forking is safe.
"""

import json
import os
import sys

import acquire.cli.bench
import acquire.cli.display
import acquire.service
import acquire.trials
from acquire.cli import main

PRELOADED = (acquire.cli.bench, acquire.cli.display, acquire.service, acquire.trials)


def serve() -> None:
    for line in sys.stdin:
        pipe, *words = json.loads(line)
        pid = os.fork()
        if pid == 0:
            os.dup2(os.open(pipe, os.O_WRONLY), sys.stdout.fileno())
            main(words)
        sys.stdout.write(f"{pid}\n")
        sys.stdout.flush()
        _, status = os.waitpid(pid, 0)
        sys.stdout.write(f"{os.waitstatus_to_exitcode(status)}\n")
        sys.stdout.flush()


if __name__ == "__main__":
    serve()

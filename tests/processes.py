"""Processes that tests start: however a test ends, none is left, nor its pipes."""

import subprocess
import threading


def end_process(process: "subprocess.Popen[str]", listener: threading.Thread, *, within_s: float) -> None:
    """Kills the process if it has not ended; waits for who listens to it; closes its pipes."""
    if process.poll() is None:
        process.kill()
        process.wait(within_s)
    listener.join(within_s)
    for stream in (process.stdin, process.stdout, process.stderr):
        if stream is not None:
            stream.close()

"""A process that answers lines with lines, held so that nothing it does can hang the bench.

POSIX: the process leads a group of its own, which is killed as a whole. Both of its outputs
are read as it writes, with bounded memory; every wait has a deadline.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import signal
import subprocess
import time
import weakref
from collections.abc import Sequence

from bench.verify.protocol_answer import ExternalError, Fault

# Ten thousand points of sixty characters.
MAX_LINE = 1 << 20
# Kept of what goes to standard error, for messages.
KEPT_STDERR = 4096
READ_SIZE = 1 << 16
# A process whose output has ended, or that was asked to end, gets so long to do so.
GRACE_S = 2.0
# How often the process is looked at while it says nothing: one that has died with its output
# held open by a child of its own would else be waited for until the deadline.
LOOK_S = 0.1


class Process:
    """One running process. Not for several threads at once.

    Raises
    ------
    ExternalError
        It can't be started.
    """

    def __init__(self, command: Sequence[str]) -> None:
        try:
            self._popen = subprocess.Popen(
                list(command),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                bufsize=0,
                start_new_session=True,  # a group of its own; deaf to the terminal's Ctrl-C
            )
        except OSError as error:
            raise ExternalError(Fault.DIED, f"can't be started: {error.strerror}") from error
        pipes = self._popen.stdin, self._popen.stdout, self._popen.stderr
        self._stdin, self._stdout, self._stderr = (p.fileno() for p in pipes if p is not None)
        for descriptor in (self._stdin, self._stdout, self._stderr):
            os.set_blocking(descriptor, False)
        self._answer = bytearray()  # of standard output, not yet taken
        self._noise = b""  # the end of standard error
        self._open = {self._stdout, self._stderr}
        self._closed = False
        # also where nobody closes it: at the end of the program, at the latest
        self._finalizer = weakref.finalize(self, _kill, self._popen)

    @property
    def pid(self) -> int:
        """The process's id, which is its group's too."""
        return self._popen.pid

    def ask(self, line: bytes, timeout_s: float) -> bytes:
        """Send a line and return the one that comes back, without its newline.

        Raises
        ------
        ExternalError
            TIMEOUT, DIED, CLOSED or TOO_LONG; TWICE where it said something unasked before.
        """
        for descriptor in tuple(self._open):
            self._receive(descriptor)
        if self.unasked:
            raise ExternalError(Fault.TWICE, "it went on writing after its answer")
        self._answer.clear()  # blank lines
        if not self._pump(line, time.monotonic() + timeout_s):
            raise self._late(timeout_s)
        answer, _, rest = bytes(self._answer).partition(b"\n")
        self._answer = bytearray(rest)
        return answer

    @property
    def unasked(self) -> bool:
        """Whether it has written more than its answer."""
        return bool(bytes(self._answer).strip())

    def close(self, *, kindly: bool) -> None:
        """End it and all of its group; `kindly` gives it time after its input has ended."""
        if self._closed:
            return
        self._closed = True
        if kindly:
            with contextlib.suppress(OSError):
                self._end_input()
            self._wait(time.monotonic() + GRACE_S)
        self._finalizer()

    def _pump(self, data: bytes, deadline: float) -> bool:
        """Move bytes until a line is there; False at the deadline."""
        with selectors.DefaultSelector() as selector:
            for descriptor in self._open:
                selector.register(descriptor, selectors.EVENT_READ)
            selector.register(self._stdin, selectors.EVENT_WRITE)
            while b"\n" not in self._answer:
                if len(self._answer) > MAX_LINE:
                    raise ExternalError(
                        Fault.TOO_LONG, f"more than {MAX_LINE} bytes{self._last_words()}"
                    )
                if self._stdout not in self._open:
                    raise self._gone()
                left = deadline - time.monotonic()
                if left <= 0.0:
                    return False
                ready = selector.select(min(left, LOOK_S))
                for key, _ in ready:
                    if key.fd == self._stdin:
                        data = self._send(data)
                        if not data:
                            selector.unregister(self._stdin)
                    elif not self._receive(key.fd):
                        selector.unregister(key.fd)
                if not ready and self._ended():
                    raise self._gone()
        return True

    def _send(self, data: bytes) -> bytes:
        """Write what the pipe takes; return the rest."""
        try:
            return data[os.write(self._stdin, data) :]
        except BlockingIOError:
            return data
        except BrokenPipeError:  # it doesn't read; its output will say what became of it
            return b""

    def _end_input(self) -> None:
        assert self._popen.stdin
        self._popen.stdin.close()

    def _receive(self, descriptor: int) -> bool:
        """Read what there is; False at the end."""
        try:
            data = os.read(descriptor, READ_SIZE)
        except BlockingIOError:
            return True
        if not data:
            self._open.discard(descriptor)
        elif descriptor == self._stdout:
            self._answer += data
        else:
            self._noise = (self._noise + data)[-KEPT_STDERR:]
        return bool(data)

    def _ended(self) -> bool:
        """Tell whether the process has ended; it stays a zombie, so its number stays its own."""
        flags = os.WEXITED | os.WNOHANG | os.WNOWAIT
        return os.waitid(os.P_PID, self._popen.pid, flags) is not None

    def _wait(self, deadline: float) -> bool:
        """Wait for its end, reading along lest it blocks; False at the deadline."""
        while not self._ended():
            if time.monotonic() >= deadline:
                return False
            time.sleep(0.005)
            for descriptor in tuple(self._open):
                self._receive(descriptor)
                del self._answer[MAX_LINE + 1 :]
        return True

    def _late(self, timeout_s: float) -> ExternalError:
        """Return the error of a process that is out of time."""
        return ExternalError(
            Fault.TIMEOUT, f"no answer within {timeout_s:g} s{self._half()}{self._last_words()}"
        )

    def _gone(self) -> ExternalError:
        """Return the error of a process whose output has ended."""
        if not self._wait(time.monotonic() + GRACE_S):
            return ExternalError(
                Fault.CLOSED, f"it runs on, but can't answer{self._half()}{self._last_words()}"
            )
        return ExternalError(Fault.DIED, f"{self._exit_words()}{self._half()}{self._last_words()}")

    def _exit_words(self) -> str:
        ended = os.waitid(os.P_PID, self._popen.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT)
        assert ended is not None
        if ended.si_code == os.CLD_EXITED:
            return f"exited with code {ended.si_status}"
        try:
            return f"killed by {signal.Signals(ended.si_status).name}"
        except ValueError:
            return f"killed by signal {ended.si_status}"

    def _half(self) -> str:
        return f", after half a line ({len(self._answer)} bytes)" if self._answer else ""

    def _last_words(self) -> str:
        """Return the last line of standard error, as part of a message."""
        if self._stderr in self._open:
            self._receive(self._stderr)
        lines = [line.strip() for line in self._noise.decode(errors="replace").splitlines()]
        last = next((line for line in reversed(lines) if line), "")
        words = "".join(c if c.isprintable() else "?" for c in last[:120])
        return f"; its last words: {words}" if words else ""


def _kill(popen: subprocess.Popen[bytes]) -> None:
    """Kill a process and all of its group."""
    # not yet reaped, so that the group's number can't be anybody else's
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(popen.pid, signal.SIGKILL)
    popen.wait()
    for pipe in (popen.stdin, popen.stdout, popen.stderr):
        if pipe is not None:
            pipe.close()

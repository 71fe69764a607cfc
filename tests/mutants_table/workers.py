"""workers/ and what stops a command: whose frame fails, who is left, and what a stop says."""

from __future__ import annotations

from tests.mutants_table import mutant

_PROCESSES = "workers/processes.py"
_WAYS = ("workers/test_processes.py",)
_LIMITS = "workers/limits.py"
_LIMITED = ("workers/test_limits.py",)
_STOP = ("cli/test_stop.py",)

MUTANTS = [
    mutant(_PROCESSES, "env=os.environ | ONE_THREAD, ", "", "test_threads.py"),
    mutant("cli/entry.py", "    one_thread()\n", "", "test_threads.py"),
    mutant(_PROCESSES, "        waiting.extendleft(reversed(worker.items))\n", "", *_WAYS),
    mutant(_PROCESSES, "_TRIES_KILLED if killed else _TRIES", "_TRIES", *_WAYS),
    mutant(_PROCESSES, "_TRIES_KILLED if killed else _TRIES", "1", *_WAYS),
    mutant(_PROCESSES, "os.killpg(self._process.pid, signal.SIGKILL)", "self._process.kill()", *_WAYS),
    mutant(_PROCESSES, "if worker.spent > limit:", "if False:", *_WAYS),
    mutant(_PROCESSES, "            self._drop_busy()\n\n", "            pass\n\n", *_WAYS),
    mutant(_PROCESSES, "if self._unstarted >= _STARTS:", "if False:", *_WAYS),
    mutant("workers/worker.py", "(0, 1, 2) if quiet else (0, 1)", "(0, 1)", *_WAYS),
    mutant("workers/worker.py", "    end_with(parent)\n", "", *_WAYS),
    mutant("workers/worker.py", "    _limit_memory(memory.among_others)\n", "", *_WAYS),
    mutant("workers/wire.py", "if type(pickle.loads(data)) is type(error):", "if True:", *_WAYS),
    mutant(_LIMITS, "if self._fixed is not None:", "if False:", *_LIMITED),
    mutant(_LIMITS, "return max(self._rules.least, ", "return max(0.0, ", *_LIMITED),
    mutant(_LIMITS, "larger = max(1.0, size / usual)", "larger = size / usual", *_LIMITED),
    mutant(_LIMITS, "free is None else max(1, ", "free is None else max(0, ", *_LIMITED),
    mutant(_LIMITS, "max(MEMORY.wanted, alone // workers)", "max(MEMORY.wanted, alone)", *_LIMITED),
    mutant(_LIMITS, "max(MEMORY.wanted, alone // workers)", "alone // workers", *_LIMITED),
    mutant(_LIMITS, "free < MEMORY.kept", "False", *_LIMITED),
    mutant(_LIMITS, " + min(files, current)", "", *_LIMITED),
    mutant(_LIMITS, "(inside, *inside.parents)", "(inside,)", *_LIMITED),
    mutant("lifetime.py", "    if os.getppid() != parent:", "    if False:", "test_lifetime.py"),
    mutant("formats/heif_process.py", "    end_with(int(sys.argv[4]))\n", "", "test_lifetime.py"),
    mutant("cli/stop.py", "signal.getsignal(number) is not signal.SIG_IGN", "True", *_STOP),
    mutant("cli/stop.py", "time.monotonic() - first > _SAME", "True", *_STOP),
    mutant("cli/stop.py", "select.select([heard], [], [], _LIMIT - _SAME)", "time.sleep(600)", *_STOP),
    mutant("cli/stop.py", "    if not _stop.unwinding or", "    if", *_STOP),
]

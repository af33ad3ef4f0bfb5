#!/usr/bin/python3
"""Lets one system call after the other fail while a transfer is measured and written (strace injects
the error): the program must end with a documented code, and the results must be whole or absent."""
import json
import os
import pathlib
import re
import subprocess
import sys
import tempfile

top = pathlib.Path(__file__).resolve().parents[2]
build = top / os.environ.get("BUILD", "build")
program = build / "afterflash"
loop = build / "case-loops" / "loop.dcm"
names = ["motion.csv", "series.csv", "spectrogram.csv", "summary.json", "summary.txt", "waves.csv"]
earlier = "what was there before\n"
failed = False


def run(work, force, *strace):
    command = [*strace, str(program), "measure", "--out", str(work / "out"), *(["--force"] if force else []), str(loop)]
    # a leak checker cannot work under strace
    return subprocess.run(command, cwd=work, env=dict(os.environ, ASAN_OPTIONS="detect_leaks=0"), stdin=subprocess.DEVNULL, capture_output=True, timeout=300)


def counted(call, force):
    """How often the call is made when nothing fails."""
    with tempfile.TemporaryDirectory(dir=build) as name:
        work = prepared(pathlib.Path(name), force)
        trace = work / "trace"
        done = run(work, force, "strace", "-f", "-qq", "-o", str(trace), "-e", f"trace={call}")
        if done.returncode != 0:
            raise RuntimeError(done.stderr.decode())
        return len(re.findall(rf"\b{call}\(", trace.read_text()))


def prepared(work, force):
    if force:
        (work / "out").mkdir()
        for name in names:
            (work / "out" / name).write_text(earlier)
    return work


def is_whole(path):
    text = path.read_text()
    if path.name == "summary.json":
        json.loads(text)
    return text.endswith("\n")


def complaint(call, error, at, force):
    with tempfile.TemporaryDirectory(dir=build) as name:
        work = prepared(pathlib.Path(name), force)
        done = run(work, force, "strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}", "-e",
                   f"inject={call}:error={error}:when={at}")
        out = work / "out"
        left = sorted(path.name for path in out.iterdir()) if out.exists() else []
        what = f"{call} {at} {error}: exit {done.returncode}, left {left}, said {done.stderr.decode()[:200]!r}"
        if done.returncode not in (0, 3, 4, 5):
            return what
        if done.returncode != 0 and call not in ("close",) and not done.stderr.startswith(b"afterflash: "):
            return what
        if left not in ([], names) or (force and left != names) or (done.returncode == 0 and left != names):
            return what
        if not all((force and (out / name).read_text() == earlier) or is_whole(out / name) for name in left):
            return what + ", not whole"
    return None


def claim(name, call, error, force):
    global failed
    print(f"[ RUN      ] {name}", flush=True)
    n = counted(call, force)
    found = [text for text in (complaint(call, error, at, force) for at in range(1, n + 1)) if text]
    print("\n".join(found) or f"{n} calls")
    bad = bool(found) or n == 0
    failed = failed or bad
    print(f"[  FAILED  ] {name}" if bad else f"[       OK ] {name}", flush=True)


def can_trace():
    try:
        return subprocess.run(["strace", "-qq", "-o", "/dev/null", "true"], capture_output=True).returncode == 0
    except FileNotFoundError:
        return False


subprocess.run([str(top / "tests/cases/make_loops.py"), str(build / "case-loops")], check=True)
claims = [("a_write_that_fails_leaves_results_whole_or_absent", "write", "ENOSPC", False),
          ("a_flush_that_fails_leaves_results_whole_or_absent", "fsync", "EIO", False),
          ("a_name_that_cannot_be_taken_leaves_results_whole_or_absent", "link", "EIO", False),
          ("a_folder_that_cannot_be_made_leaves_nothing", "mkdir", "EACCES", False),
          ("a_write_that_fails_keeps_earlier_results", "write", "ENOSPC", True),
          ("a_rename_that_fails_keeps_earlier_results", "rename", "EIO", True)]
if not can_trace():
    for name, *_ in claims:
        print(f"[  SKIPPED ] {name}")
    sys.exit(0)
for name, call, error, force in claims:
    claim(name, call, error, force)
sys.exit(failed)

#!/usr/bin/python3
"""Runs the whole program on one case after the other: a folder of tests/cases each, with

cmd     a sh script, run in an empty folder; $AFTERFLASH is the program, $LOOPS the recordings
exit    the exit code it must end with; 0 when the file is not there
stdout  what it must print; nothing on a failure when the file is not there
stderr  as above; nothing when the file is not there
files   the files that must be left, one a line; none on a failure when the file is not there

In stdout and stderr "*" stands for anything within a line, a line "..." for any lines."""
import os
import pathlib
import re
import subprocess
import sys
import tempfile

top = pathlib.Path(__file__).resolve().parents[2]
build = top / os.environ.get("BUILD", "build")
loops = build / "case-loops"
only = sys.argv[1:]


def pattern(expected):
    made = ""
    for line in expected.splitlines():
        made += "(?:.*\n)*" if line == "..." else re.escape(line).replace(r"\*", ".*") + "\n"
    return re.compile(made)


def wanted(case, name):
    path = case / name
    return path.read_text() if path.exists() else None


def left_in(folder):
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file() or path.is_symlink())


def complaints(case):
    with tempfile.TemporaryDirectory(dir=build) as name:
        work = pathlib.Path(name)
        environment = dict(os.environ, AFTERFLASH=str(build / "afterflash"), LOOPS=str(loops))
        done = subprocess.run(["sh", str(case / "cmd")], cwd=work, env=environment, stdin=subprocess.DEVNULL,
                              capture_output=True, timeout=300)
        files = left_in(work)
    code = int(wanted(case, "exit") or 0)
    if done.returncode != code:
        yield f"exit {done.returncode}, wanted {code}"
    for stream in "stdout", "stderr":
        text = getattr(done, stream).decode(errors="replace").replace(str(loops), "LOOPS").replace(name, "WORK")
        expected = wanted(case, stream)
        if expected is None and (code != 0 or stream == "stderr"):
            expected = ""
        if expected is not None and not pattern(expected).fullmatch(text):
            yield f"{stream} is\n{text}but wanted is\n{expected}"
    expected = wanted(case, "files")
    if expected is None and code != 0:
        expected = ""
    if expected is not None and files != sorted(expected.split("\n")[:-1]):
        yield f"left are the files {files}, wanted {expected.split()}"


subprocess.run([str(top / "tests/cases/make_loops.py"), str(loops)], check=True)
failed = False
for case in sorted((top / "tests/cases").iterdir()):
    if not (case / "cmd").exists() or only and case.name not in only:
        continue
    claim = "case_" + case.name.replace("-", "_")
    print(f"[ RUN      ] {claim}", flush=True)
    found = list(complaints(case))
    for complaint in found:
        print(complaint)
    print(f"[  FAILED  ] {claim}" if found else f"[       OK ] {claim}", flush=True)
    failed = failed or bool(found)
sys.exit(failed)

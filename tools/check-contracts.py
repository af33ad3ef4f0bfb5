#!/usr/bin/python3
"""Proves that every function of include/ has a contract comment right above it and begins with its
file's noun, that each header guards itself by its own name, and that no struct hides behind a typedef."""
import pathlib
import re
import sys

PROTOTYPE = re.compile(r"^(?!typedef|struct [\w ]*\{|enum|union|#|extern|static)[\w *]*?\**\b(\w+)\(", re.M)
problems = []
n_prototypes = 0


def check(header: pathlib.Path) -> None:
    global n_prototypes
    noun = header.stem
    lines = header.read_text().splitlines()
    guard = "AFTERFLASH_" + "_".join(header.with_suffix("").parts[1:]).upper() + "_H"
    if f"#ifndef {guard}" not in lines:
        problems.append(f"{header}: the include guard is not {guard}")
    depth = 0
    in_comment = False
    last_code_end = ""
    previous_is_comment = False
    for number, line in enumerate(lines, 1):
        text = line.strip()
        if in_comment or text.startswith("/*"):
            in_comment = "*/" not in text
            previous_is_comment = True
            last_code_end = ";"
            continue
        if not text:
            previous_is_comment = False
            continue
        if text.startswith("typedef struct") or text.startswith("typedef enum"):
            problems.append(f"{header}:{number}: a typedef hides a struct")
        found = PROTOTYPE.match(line)
        if depth == 0 and found and not text.startswith(("return", "else")) and last_code_end in (";", "}", "{", ""):
            n_prototypes += 1
            name = found.group(1) if "MUST_CHECK" != found.group(1) else ""
            if not previous_is_comment:
                problems.append(f"{header}:{number}: {name} has no contract above it")
            if name and not (name == noun or name.startswith(noun + "_")):
                problems.append(f"{header}:{number}: {name} does not begin with '{noun}_'")
        if not text.startswith("#") and 'extern "C"' not in text:
            depth += text.count("{") - text.count("}")
            depth = max(depth, 0)
            last_code_end = text[-1]
        previous_is_comment = False


for path in sorted(pathlib.Path("include").rglob("*.h")):
    check(path)
if n_prototypes == 0:
    problems.append("no prototype was read")
print("\n".join(problems) or f"{n_prototypes} prototypes, each with its contract")
sys.exit(bool(problems))

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
    """A comment serves the prototypes that follow it without an empty line. A function is named after
    its file or after a struct that the file declares."""
    global n_prototypes
    text = header.read_text()
    lines = text.splitlines()
    nouns = {header.stem} | set(re.findall(r"^struct (\w+)", text, re.M)) | set(re.findall(r"^enum (\w+)", text, re.M))
    guard = "AFTERFLASH_" + "_".join(header.with_suffix("").parts[1:]).upper() + "_H"
    if f"#ifndef {guard}" not in lines:
        problems.append(f"{header}: the include guard is not {guard}")
    depth = 0
    in_comment = in_macro = is_told = False
    is_start = True
    for number, line in enumerate(lines, 1):
        words = line.strip()
        if in_macro or words.startswith("#"):
            in_macro = line.endswith("\\")
            is_start, is_told = True, False
            continue
        if in_comment or words.startswith("/*"):
            in_comment = "*/" not in words
            is_told, is_start = True, True
            continue
        if not words:
            is_told = False
            continue
        if re.match(r"typedef\b.*\b(struct|enum|union)\b", words):
            problems.append(f"{header}:{number}: a typedef hides a struct")
        found = PROTOTYPE.match(line) if depth == 0 and is_start else None
        if found and found.group(1) != "MUST_CHECK":
            n_prototypes += 1
            name = found.group(1)
            if not is_told:
                problems.append(f"{header}:{number}: {name} has no contract above it")
            if not any(name == noun or name.startswith(noun + "_") for noun in nouns):
                problems.append(f"{header}:{number}: {name} is named after nothing that the file declares")
        if 'extern "C"' not in words:
            depth = max(0, depth + words.count("{") - words.count("}"))
        is_start = words[-1] in ";}{" or words.endswith("*/")


for path in sorted(pathlib.Path("include").rglob("*.h")):
    check(path)
if n_prototypes == 0:
    problems.append("no prototype was read")
print("\n".join(problems) or f"{n_prototypes} prototypes, each with its contract")
sys.exit(bool(problems))

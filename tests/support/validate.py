#!/usr/bin/python3
"""Validates JSON files by docs/summary.schema.json with the python3-jsonschema library.

Prints one line for each thing that is wrong; ends with 1 when there is one. With --expect-bad,
ends with 0 only when every file is refused."""
import json
import sys

import jsonschema


def refuse_constant(word):
    raise ValueError(f"{word} is not JSON")


expect_bad = sys.argv[1] == "--expect-bad"
schema = json.load(open("docs/summary.schema.json"))
jsonschema.Draft202012Validator.check_schema(schema)
validator = jsonschema.Draft202012Validator(schema)
n_bad = 0
files = sys.argv[1 + expect_bad:]
for name in files:
    try:
        errors = list(validator.iter_errors(json.load(open(name), parse_constant=refuse_constant)))
    except ValueError as error:
        errors = [error]
    for error in errors:
        where = "/".join(str(part) for part in getattr(error, "absolute_path", []))
        print(f"{name}: {where}: {getattr(error, 'message', error)[:300]}")
    n_bad += bool(errors)
if not files:
    sys.exit("no file was given")
sys.exit(n_bad != len(files) if expect_bad else n_bad > 0)

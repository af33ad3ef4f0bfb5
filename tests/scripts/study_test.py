#!/usr/bin/python3
"""The validation study in its short form: six small loops of a minute, drawn by the study's own design,
measured, and compared with their truth; and the study's page against the table that it was made from."""
import os
import pathlib
import subprocess
import sys
import tempfile

top = pathlib.Path(__file__).resolve().parents[2]
sys.path.insert(0, str(top / "tests" / "study"))
import figures  # noqa: E402

program = os.environ.get("AFTERFLASH", str(top / os.environ.get("BUILD", "build") / "afterflash"))
N_LOOPS = 6
THIRD = 1.0 / 3.0  # in a minute speckle hardly renews itself, and ends are often told too vaguely for a distance
SIXTH = 1.0 / 6.0  # all the more where pixels are as coarse as in these small pictures
failed = False


def claim(name, problems):
    global failed
    print(f"[ RUN      ] {name}")
    if problems:
        print("\n".join(problems))
        failed = True
    print(f"[  FAILED  ] {name}" if problems else f"[       OK ] {name}")


def measured(folder):
    table = pathlib.Path(folder) / "study.csv"
    subprocess.run([sys.executable, str(top / "tests/study/run.py"), "--program", program, "--work", folder, "--out", str(table),
                    "--loops", str(N_LOOPS), "--short", "--jobs", "1"], check=True, stdout=subprocess.DEVNULL)
    return figures.read(table), table


def off(rows, told, true, most, least_share=0.5):
    """Loops whose told value is too far off the true one; at least a share of those that have one must be told."""
    known = [r for r in rows if r[true] is not None]
    pairs = [(r["name"], r[told], r[true]) for r in known if r[told] is not None]
    problems = ["%s: %s %.3f, true %.3f" % (name, told, a, b) for name, a, b in pairs if abs(a - b) > most]
    if len(pairs) < least_share * len(known):
        problems.append("%s told in %d of %d loops only" % (told, len(pairs), len(known)))
    return problems


with tempfile.TemporaryDirectory() as work:
    loops, table = measured(work)
    contracting = [r for r in loops if r["true_contracting"]]
    claim("of_the_short_study_every_loop_is_there", [] if len(loops) == N_LOOPS else ["%d loops" % len(loops)])
    claim("of_the_short_study_stripes_are_found_the_right_way_round",
          ["%s: exchanged" % r["name"] for r in loops if r["told_ends_exchanged"] and not r["told_ends_unsure"]] +
          (["found in fewer than 5 loops"] if sum(r["told_fundus_off_mm"] is not None for r in loops) < N_LOOPS - 1 else []))
    claim("of_the_short_study_no_quiet_uterus_is_told_as_contracting",
          [r["name"] for r in loops if not r["true_contracting"] and r["told_waves"] == "measured"])
    claim("of_the_short_study_frequencies_of_waves_of_0_3_mm_are_right_to_a_fifth_per_min",
          off([r for r in contracting if r["true_amplitude_mm"] >= figures.TARGET_AMPLITUDE_MM], "told_frequency_per_min",
              "true_frequency_per_min", 0.2))
    claim("of_the_short_study_no_direction_is_told_wrongly",
          ["%s: %s, true %s" % (r["name"], r["told_direction"], r["true_direction"]) for r in contracting
           if r["told_waves"] == "measured" and r["told_direction"] not in (r["true_direction"], "undetermined")])
    claim("of_the_short_study_deposits_are_right_to_two_millimetres", off(loops, "told_to_fundus_mm", "true_to_fundus_mm", 2.0, SIXTH))
    claim("of_the_short_study_drifts_are_right_to_a_millimetre_and_a_half",
          off(loops, "told_toward_fundus_mm", "true_toward_fundus_mm", 1.5, THIRD))
    with tempfile.TemporaryDirectory() as docs:
        made = subprocess.run([sys.executable, str(top / "tests/study/report.py"), str(table), docs], capture_output=True, text=True)
        again = subprocess.run([sys.executable, str(top / "tests/study/report.py"), str(table), docs, "--check"])
        plots = sorted(p.name for p in pathlib.Path(docs, "validation").glob("*.svg"))
        claim("a_study_of_six_loops_gives_a_page_and_its_plots",
              [made.stderr] if made.returncode or again.returncode or len(plots) != 6 else [])

shown = subprocess.run([sys.executable, str(top / "tests/study/report.py"), str(top / "docs/validation/study.csv"), str(top / "docs"), "--check"])
claim("the_page_of_the_validation_study_is_what_its_table_gives",
      [] if shown.returncode == 0 else ["docs/validation.md is not what docs/validation/study.csv gives: make validate-page"])
sys.exit(failed)

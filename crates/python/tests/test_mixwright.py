"""The Python door: the same bits as the command line, errors, progress, Ctrl-C, shapes.

The environment names the program of the command line in MIXWRIGHT_PROGRAM.
"""

import csv
import io
import json
import math
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
import unittest
import warnings
from pathlib import Path

import numpy as np

import mixwright as mw

HERE = Path(__file__).parent
PROGRAM = os.environ["MIXWRIGHT_PROGRAM"]


def program(*arguments: object, code: int = 0) -> str:
    """What the command line prints on standard output."""
    done = subprocess.run(
        [PROGRAM, "--quiet", *map(str, arguments)], capture_output=True, text=True, encoding="utf-8", check=False
    )
    if done.returncode != code:
        raise AssertionError(f"{arguments}: exit code {done.returncode}\n{done.stdout}\n{done.stderr}")
    return done.stdout


_TEMPORARY = tempfile.TemporaryDirectory()
_FOLDER = Path(_TEMPORARY.name)


def setUpModule() -> None:
    """A design, its review and its package, made once by both doors."""
    for name in ("ring.toml", "row.toml"):
        shutil.copy(HERE / name, _FOLDER / name)
    Shared.design = mw.open_design(path=_FOLDER / "ring.toml")
    Shared.review = Shared.design.review(progress=lambda *step: Shared.steps.append((*step, threading.get_ident())))
    Shared.told = program("review", _FOLDER / "ring.toml", "--out", _FOLDER / "theirs", "--json")
    Shared.model = Shared.design.pack(
        path=_FOLDER / "ring.mwmodel", maker="Quillback Converters", challenge_points=2
    )


def tearDownModule() -> None:
    _TEMPORARY.cleanup()


class Shared(unittest.TestCase):
    folder = _FOLDER
    design: mw.Design
    model: mw.Model
    review: mw.Review
    told: str
    steps: list[tuple[str, int, int, int]] = []


def equal(test: unittest.TestCase, found: object, expected: object) -> None:
    """Equal bits; absent numbers are NaN here and null there."""
    found, expected = list(found), list(expected)  # type: ignore[call-overload]
    test.assertEqual(len(found), len(expected))
    for f, e in zip(found, expected):
        if e is None:
            test.assertTrue(math.isnan(f))
        else:
            test.assertEqual(f, e)


class SameBits(Shared):
    def test_review_is_the_file_the_program_writes(self) -> None:
        review, told = self.review, self.told
        self.assertEqual(review.to_json(), told.rstrip("\n"))
        value = json.loads(told)
        summary = review.summary()
        equal(self, summary["value"], [r["value"] for r in value["summary"]])
        equal(self, summary["numeric_band"], [r["quality"]["numeric_band"] for r in value["summary"]])
        equal(self, summary["rf_hz"], [r["conditions"]["rf_hz"] for r in value["summary"]])
        self.assertEqual(summary["key"], [r["key"] for r in value["summary"]])
        verdicts = review.verdicts()
        equal(self, verdicts["margin"], [v["margin"] for v in value["verdicts"]])
        self.assertEqual(verdicts["status"], [v["status"] for v in value["verdicts"]])
        self.assertTrue(review.requirements_met)
        self.assertEqual(review.sections, [s["key"] for s in value["sections"]])

    def test_readings_are_the_table_the_program_writes(self) -> None:
        review = self.review
        text = (self.folder / "theirs" / "review.csv").read_text(encoding="utf-8")
        rows = list(csv.DictReader(io.StringIO(text)))
        table = review.readings()
        self.assertEqual(list(table), list(rows[0]))
        self.assertGreater(len(rows), 100)
        for name, column in table.items():
            told = [row[name] for row in rows]
            if isinstance(column, list):
                self.assertEqual(column, told)
            elif column.dtype == np.bool_:
                self.assertEqual([str(bool(x)).lower() for x in column], told)
            else:
                equal(self, column, [float(x) if x else None for x in told])
        losses = review.readings(key="conversion_loss", section="summary")
        self.assertEqual(len(losses["value"]), 1)

    def test_files_written_are_those_of_the_program(self) -> None:
        ours = self.review.write(folder=self.folder / "ours")
        names = sorted(str(Path(p).relative_to(self.folder / "ours")) for p in ours)
        theirs = self.folder / "theirs"
        self.assertEqual(names, sorted(str(p.relative_to(theirs)) for p in theirs.rglob("*") if p.is_file()))
        for name in names:
            self.assertEqual((self.folder / "ours" / name).read_bytes(), (theirs / name).read_bytes(), name)

    def test_package_is_the_one_the_program_packs(self) -> None:
        program(
            "pack", self.folder / "ring.toml", "--out", self.folder / "packed", "--maker", "Quillback Converters",
            "--challenge", 2,
        )  # fmt: skip
        packed = (self.folder / "packed" / "ring.mwmodel").read_bytes()
        self.assertEqual((self.folder / "ring.mwmodel").read_bytes(), packed)
        value = json.loads(program("open", self.folder / "ring.mwmodel", "--json"))
        self.assertEqual(self.model.fingerprint, value["name"])
        self.assertEqual(self.model.signature, value["signature"])
        self.assertEqual(self.model.provenance()["blake3"], [link["blake3"] for link in value["provenance"]])

    def test_a_set_up_saved_is_reviewed_alike_by_the_program(self) -> None:
        setup = self.model.surround(
            name='a "quoted" set-up',
            rf=[
                mw.Part.line(length_m=1.7e-3, permittivity=2.1, attenuation_db_per_m=20.0, attenuation_at_hz=11e9),
                mw.Part.reflection(at="image", magnitude=0.7, phase_deg=33.3),
            ],
            lo=[mw.Part.pad(loss_db=1.0)],
            if_=[mw.Part.series(inductance_h=0.1e-9), mw.Part.shunt(capacitance_f=30e-15), mw.Part.pad(loss_db=3.0)],
            end_if_ohm=75.0,
            lo_dbm=11.0,
            lo_harmonics=[(2, -20.0, 45.0)],
            lo_am_noise_dbc_per_hz=-150.0,
        )
        (self.folder / "around.toml").write_text(setup.to_toml(), encoding="utf-8")
        told = program(
            "surround", self.folder / "ring.mwmodel", self.folder / "around.toml", "--out", self.folder / "s", "--json",
            code=4,
        )  # fmt: skip
        review = setup.review()
        self.assertEqual(review.to_json(), told.rstrip("\n"))
        self.assertFalse(review.requirements_met)
        again = self.model.surround_from_file(path=self.folder / "around.toml")
        self.assertEqual(again.name, 'a "quoted" set-up')
        self.assertEqual(again.to_toml(), setup.to_toml())

    def test_terminations_and_a_swept_reflection_agree_with_the_program(self) -> None:
        told = program(
            "terminations", self.folder / "ring.mwmodel", "--out", self.folder / "t", "--json", "--points", 2,
            "--checks", 5, "--reflection", 0.8,
        )  # fmt: skip
        study = self.model.terminations(points=2, checks=5, reflection=0.8)
        self.assertEqual(study.report.to_json(), told.rstrip("\n"))
        value = json.loads(told)
        recovery = next(s for s in value["sections"] if s["key"] == "image_recovery")
        curves = {c["name"]: c["points"] for c in recovery["items"][0]["curves"]}
        count = len(curves["conversion loss"])
        gamma = np.array([0.8 * complex(math.cos(a), math.sin(a)) for a in 2 * np.pi * np.arange(count) / count])
        rf_hz = curves["conversion loss"][0]["reading"]["conditions"]["rf_hz"]
        swept = self.model.sweep(
            rf_hz=rf_hz, terminations=[mw.Termination(port="rf", at="image", gamma=gamma)], noise=True
        )
        equal(self, swept["conversion_loss_db"], [p["reading"]["value"] for p in curves["conversion loss"]])
        equal(self, swept["noise_figure_ssb_db"], [p["reading"]["value"] for p in curves["noise figure SSB"]])
        exact, envelopes = study.exact(), study.envelopes()
        self.assertTrue((exact["best_db"] <= exact["nominal_db"]).all())
        self.assertTrue((exact["worst_db"] >= exact["nominal_db"]).all())
        # a swept reflection of that size stays inside the exact range
        at = [i for i, name in enumerate(exact["termination"]) if name == "image at RF"][0]
        inside = self.model.sweep(
            rf_hz=exact["rf_hz"][at], terminations=[mw.Termination(port="rf", at="image", gamma=gamma)]
        )["conversion_loss_db"]
        self.assertLessEqual(inside.max(), exact["worst_db"][at] + 1e-9)
        self.assertGreaterEqual(inside.min(), exact["best_db"][at] - 1e-9)
        self.assertIn("conversion_loss", envelopes["key"])

    def test_intervals_and_chain_agree_with_the_program(self) -> None:
        for table, value in zip(
            self.model.spur_intervals(), json.loads(program("intervals", self.folder / "ring.mwmodel", "--json"))
        ):
            self.assertEqual(table[0], value["name"])
            for name in ("from_hz", "to_hz", "strongest_dbc", "strongest_at_hz"):
                equal(self, table[1][name], [p[name] for p in value["products"]])
            self.assertEqual(table[1]["from"], [p["from"] for p in value["products"]])
        ours = mw.spur_intervals(input_hz=(10_500_000_000, 12_000_000_000), lo_hz=10_000_000_000,
                                 output_hz=(500_000_000, 2_000_000_000), orders=3)  # fmt: skip
        value = json.loads(program("intervals", "--input", "10.5 GHz", "12 GHz", "--lo", "10 GHz",
                                   "--output", "0.5 GHz", "2 GHz", "--orders", 3, "--json"))  # fmt: skip
        equal(self, ours["from_hz"], [p["from_hz"] for p in value[0]["products"]])
        # 2×2 of an IF between 0.5 and 2 GHz lies at twice the IF: in band up to 1 GHz, that is RF 11 GHz
        at = [i for i in range(len(ours["m"])) if (ours["m"][i], ours["n"][i]) == (2, 2)]
        self.assertEqual([ours["to"][i] for i in at], ["11000000000 Hz"])
        row = mw.chain(path=self.folder / "row.toml")
        value = json.loads(program("chain", self.folder / "row.toml", "--json"))
        for name in ("stage_gain_db", "noise_db", "ip3_dbm", "p1db_dbm", "level_dbm", "headroom_db"):
            equal(self, row[name], [s[name] for s in value["stages"]])

    def test_threads_do_not_change_bits(self) -> None:
        code = (
            "import sys, mixwright as mw\nmw.set_threads(count=1)\n"
            "m = mw.open_model(path=sys.argv[1])\n"
            "t = m.sweep(products=[(1, 1)], signal_dbm=-20.0)\n"
            "print([x.hex() for n in ('conversion_loss_db', 'product_1lo+1rf_dbc') for x in map(float, t[n])])"
        )
        done = subprocess.run(
            [sys.executable, "-c", code, str(self.folder / "ring.mwmodel")], capture_output=True, text=True, check=True
        )
        here = self.model.sweep(products=[(1, 1)], signal_dbm=-20.0)
        names = ("conversion_loss_db", "product_1lo+1rf_dbc")
        self.assertEqual(done.stdout.strip(), str([float(x).hex() for n in names for x in here[n]]))


class Errors(Shared):
    def test_problems_are_those_of_the_program(self) -> None:
        text = (HERE / "ring.toml").read_text(encoding="utf-8")
        bad = self.folder / "bad.toml"
        bad.write_text(text.replace('"10 GHz"', '"10 um"').replace("RS =", "R_S ="), encoding="utf-8")
        value = json.loads(program("check", bad, "--json", code=3))
        with self.assertRaises(mw.InputError) as caught:
            mw.open_design(path=bad)
        self.assertEqual(caught.exception.problems, value["problems"])
        self.assertEqual(caught.exception.exit_code, value["exit_code"])
        self.assertIn("`10 um` has unit `um`", str(caught.exception))
        self.assertIsInstance(caught.exception, mw.MixwrightError)

    def test_each_kind_has_its_class(self) -> None:
        with self.assertRaises(mw.FileError) as missing:
            mw.open_design(path=self.folder / "nothing.toml")
        self.assertEqual(missing.exception.exit_code, 3)
        whole = (self.folder / "ring.mwmodel").read_bytes()
        changed = bytearray(whole)
        changed[len(whole) // 2] ^= 1
        (self.folder / "changed.mwmodel").write_bytes(changed)
        with self.assertRaises(mw.PackageError):
            mw.open_model(path=self.folder / "changed.mwmodel")
        (self.folder / "cut.mwmodel").write_bytes(whole[:-1])
        with self.assertRaises(mw.PackageError):
            mw.open_model(path=self.folder / "cut.mwmodel")
        with self.assertRaises(mw.InputError) as wrong:
            self.model.surround(rf=[mw.Part.reflection(at="imag")])
        self.assertIn("image", wrong.exception.problems[0]["help"])
        with self.assertRaises(mw.InputError):
            self.model.surround(rf=[mw.Part.pad(loss_db=-1.0)])
        with self.assertRaises(mw.InputError):
            self.model.sweep(rf_hz=[11e9, 11.5e9], lo_dbm=[9.0, 10.0, 11.0])
        with self.assertRaises(mw.InputError):
            self.model.sweep(rf_hz=float("nan"))
        with self.assertRaises(mw.InputError):
            self.model.sweep(rf_hz=np.zeros((2, 2)))
        with self.assertRaises(mw.InputError):
            self.model.sweep(terminations=[mw.Termination(port="rf", at="image", gamma=1.2)])
        with self.assertRaises(mw.InputError):
            mw.Termination(port="rf", gamma=0.5)
        self.assertTrue(issubclass(mw.PackageError, mw.InputError))

    def test_no_solution_is_told(self) -> None:
        text = (HERE / "ring.toml").read_text(encoding="utf-8")
        hot = self.folder / "hot.toml"
        # diodes that heat without end
        hot.write_text(text.replace("FC = 0.9", 'FC = 0.9\nthermal_resistance = "10000 K/mW"'), encoding="utf-8")
        program("review", hot, "--out", self.folder / "hot", code=5)
        with self.assertRaises(mw.NoSolutionError) as caught:
            mw.open_design(path=hot).review()
        self.assertEqual(caught.exception.exit_code, 5)

    def test_outside_its_region_a_model_warns_or_refuses(self) -> None:
        with warnings.catch_warnings(record=True) as shown:
            warnings.simplefilter("always")
            self.model.sweep(rf_hz=[13e9])
        self.assertTrue(any(issubclass(w.category, mw.FindingWarning) for w in shown))
        told = " ".join(str(w.message) for w in shown)
        self.assertIn("RF frequency 13 GHz, the region is 10.5 to 12 GHz", told)
        self.assertIn("IF frequency 3 GHz, the region is 0.5 to 2 GHz", told)
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            self.model.sweep(rf_hz=[11e9])

    def test_a_strict_signed_model_refuses_and_says_whose_it_is(self) -> None:
        public = mw.new_key(path=self.folder / "maker.key", maker="Quillback Converters")
        other = mw.new_key(path=self.folder / "other.key", maker="Somebody")
        path = self.folder / "strict.mwmodel"
        strict = self.design.pack(path=path, maker="Quillback Converters", key_path=self.folder / "maker.key",
                                  refuse_outside=True, challenge_points=1)  # fmt: skip
        self.assertTrue(strict.refuses_outside)
        with self.assertRaises(mw.OutsideRegionError):
            strict.sweep(rf_hz=[13e9])
        self.assertFalse(mw.open_model(path=path, trusted_key_path=public).is_suspicious)
        with self.assertWarns(mw.FindingWarning):
            self.assertTrue(mw.open_model(path=path, trusted_key_path=other).is_suspicious)
        with self.assertRaises(mw.InputError):
            self.design.pack(path=path, key_path=public)

    def test_arguments_have_names(self) -> None:
        calls = [
            lambda: mw.open_design(self.folder / "ring.toml"),  # type: ignore[misc]
            lambda: mw.open_model(self.folder / "ring.mwmodel"),  # type: ignore[misc]
            lambda: self.model.sweep(11e9),  # type: ignore[misc]
            lambda: self.design.review(True),  # type: ignore[misc]
            lambda: mw.Part.pad(3.0),  # type: ignore[misc]
        ]
        for call in calls:
            with self.assertRaises(TypeError):
                call()


class LongWork(Shared):
    def test_progress_is_told_on_the_calling_thread(self) -> None:
        seen = self.steps
        self.assertGreater(len(seen), 5)
        self.assertTrue(all(0 <= done <= total for _, done, total, _ in seen))
        self.assertEqual({ident for *_, ident in seen}, {threading.get_ident()})
        self.assertTrue(all(what for what, *_ in seen))

    def test_what_a_callback_raises_stops_the_work(self) -> None:
        class Enough(Exception):
            pass

        calls = []

        def progress(what: str, done: int, total: int) -> None:
            calls.append(what)
            raise Enough

        with self.assertRaises(Enough):
            self.model.sweep(rf_hz=np.linspace(10.5e9, 12e9, 400), lo_dbm=np.linspace(9, 11, 400), progress=progress)
        self.assertEqual(len(calls), 1)

    def test_control_c_stops_the_work(self) -> None:
        rf_hz, lo_dbm = np.full(200_000, 11e9), np.linspace(9.0, 10.0, 200_000)
        timer = threading.Timer(0.3, lambda: os.kill(os.getpid(), signal.SIGINT))
        timer.start()
        started = time.monotonic()
        with self.assertRaises(KeyboardInterrupt):
            self.model.sweep(rf_hz=rf_hz, lo_dbm=lo_dbm)
        self.assertLess(time.monotonic() - started, 10.0)

    def test_other_threads_run_during_the_work(self) -> None:
        stop, count = threading.Event(), [0]

        def tick() -> None:
            while not stop.is_set():
                count[0] += 1
                time.sleep(0.001)

        thread = threading.Thread(target=tick)
        thread.start()
        began = count[0]
        started = time.monotonic()
        self.model.sweep(rf_hz=np.full(300, 11e9), lo_dbm=np.linspace(9.0, 10.0, 300))
        took, ticks = time.monotonic() - started, count[0] - began
        stop.set()
        thread.join()
        # with the interpreter held for the whole sweep there would be none
        self.assertGreater(ticks, min(20, 50 * took))


class Arrays(Shared):
    def test_shapes_are_those_stated(self) -> None:
        f = np.array([1e9, 10e9, 21e9])
        s = self.model.scattering(frequency_hz=f)
        self.assertEqual((s.shape, s.dtype), ((3, 7, 7), np.dtype(np.complex128)))
        # a network of transformers and series resistances: passive, reciprocal
        self.assertLess(np.abs(s - np.swapaxes(s, 1, 2)).max(), 1e-10)
        self.assertLessEqual(np.linalg.norm(s[1], 2), 1 + 1e-9)
        setup = self.model.surround(rf=[mw.Part.pad(loss_db=3.0), mw.Part.shunt(resistance_ohm=0.0)])
        seen = setup.reflection(port="rf", frequency_hz=f)
        self.assertEqual(seen.shape, (3,))
        # a short behind 3 dB returns half of the power: a reflection of -10^(-6/20)
        self.assertLess(np.abs(seen + 10 ** (-6 / 20)).max(), 1e-12)
        table = self.model.sweep(rf_hz=[11e9, 11.5e9], products=[(2, -2)], signal_dbm=-20.0)
        self.assertTrue(all(column.shape == (2,) for column in table.values()))
        self.assertTrue(np.isfinite(table["product_2lo-2rf_dbc"]).all())
        np.testing.assert_array_equal(table["if_hz"], [1e9, 1.5e9])
        self.assertEqual(self.model.sweep(rf_hz=[])["rf_hz"].shape, (0,))

    def test_a_matched_line_turns_phases_only(self) -> None:
        bare = self.model.sweep(rf_hz=11e9)
        line = self.model.surround(rf=[mw.Part.line(length_m=3e-3)]).sweep(rf_hz=11e9)
        self.assertAlmostEqual(bare["conversion_loss_db"][0], line["conversion_loss_db"][0], delta=1e-9)
        pad = self.model.surround(if_=[mw.Part.pad(loss_db=30.0)]).sweep(rf_hz=11e9)
        self.assertAlmostEqual(pad["conversion_loss_db"][0] - bare["conversion_loss_db"][0], 30.0, delta=0.05)

    def test_up_conversion_has_the_loss_of_the_reciprocal_way(self) -> None:
        both = [self.model.sweep(rf_hz=11e9, direction=d, noise=True) for d in ("down", "up")]
        self.assertIn("isolation_if_rf_db", both[1])
        # a ring of equal diodes with little charge mixes nearly alike both ways
        self.assertAlmostEqual(both[0]["conversion_loss_db"][0], both[1]["conversion_loss_db"][0], delta=1.0)

    def test_tables_make_data_frames(self) -> None:
        try:
            import pandas as pd
        except ImportError:
            self.skipTest("pandas is not installed")
        review = self.review
        for table in (
            review.summary(), review.verdicts(), review.readings(), review.spurs(), review.reflections(),
            review.waveforms(), review.findings(), self.model.told(), self.model.region(), self.model.uses(),
            self.model.challenge(), self.model.provenance(),
        ):  # fmt: skip
            frame = pd.DataFrame(table)
            self.assertEqual(list(frame.columns), list(table))
        self.assertGreater(len(pd.DataFrame(review.waveforms())), 100)
        self.assertEqual(set(pd.DataFrame(review.spurs())["m"]), {0, 1, 2})

    def test_the_model_reproduces_its_numbers(self) -> None:
        found = self.model.reproduce()
        self.assertTrue(found["good"])
        self.assertLessEqual(found["largest_difference"], 1e-6)
        self.assertGreater(found["compared"], 10)


if __name__ == "__main__":
    unittest.main()

"""Holds docs/reference/schema against the decoders.

Every shipped file and every good sample must satisfy its schema, every sample that is wrong in its
structure must not. Then the samples that hold every member are changed at every place (a member taken away, an unknown
one added, a value of another kind put in), and schema and decoder must agree on every variant; where
only the decoder can know (MEANING below), its message says so.
"""

import argparse
import copy
import json
import pathlib
import re
import subprocess
import sys
import tempfile
import unittest

try:
    import jsonschema
except ImportError:
    print("skipped: python3-jsonschema is not installed", file=sys.stderr)
    sys.exit(77)

SOURCE = DECODER = PROGRAM = None
KINDS = ["script", "board-type", "bench", "dialect", "simulated-bench", "service", "match",
         "fault-book"]

# What a schema does not say: relations between values, names that refer to other names, signs.
MEANING = {
    "script": [
        r"there is no parameter", r"stands twice", r"above zero", r"one point cannot hold",
        r"does not lead", r"more than a million", r"must be above 0", r"leaves no IF",
        r"from 0 s to one (day|minute)", r"nested more than 8", r"too far apart",
    ],
    "board-type": [
        r"expected the name of a test point", r"must be above 0", r"must not be below 0",
        r"two different test points", r"must be 0, 90, 180 or 270", r"is taken by a test point",
        r"there is no quantity", r'"lower" is above "upper"', r"must ascend",
        r"two different test points", r"is taken by",
    ],
    "bench": [
        r"there is no instrument", r"is filled by", r"named in \"via\"", r"a scope channel", r"only probes of a scope or meter",
        r"a relay channel, such as", r"already$", r"needs \"(safe|rf_level_most|supply_\w+_most)\"",
        r"at /instruments/\w+/(resource|identity): ", r"a time up to 10 minutes",
        r"a fraction, such as",
        r"only probes of a scope or meter", r'a "watchdog" of 200 ms or more',
    ],
    "dialect": [
        r"at /identity: ", r"a time from 0 to 1 hour",
    ],
    "match": [
        r"such as \"2026-", r"are one port", r"by rising frequency",
    ],
    "fault-book": [
        r"at /faults/\d+/predicts/\d+", r"at /readings/\d+/healthy", r"the book has no reading", r"stands here and before",
        r"shares above 0", r"\"each\" gives no value", r"at /faults/\d+/(sizes|cautions|prior)",
    ],
    "service": [
        r"a time from 0.1 s to 1 hour",
    ],
    "simulated-bench": [
        r"a port of an instrument", r"a relay channel of this bench", r"has no test point",
        r"no test point", r"no place", r"listed in \"boards\"", r"at /boards/\w+/faults/\d+: ",
        r"a value above zero", r"must lie from", r"must be below 1",
    ],
}


def strip_comments(text):
    """Replaces // and /* */ comments outside strings by blanks."""
    pattern = re.compile(r'"(?:\\.|[^"\\])*"|//[^\n]*|/\*.*?\*/', re.DOTALL)
    return pattern.sub(lambda m: m.group(0) if m.group(0)[0] == '"' else " ", text)


def no_duplicates(pairs):
    keys = [key for key, _ in pairs]
    if len(set(keys)) != len(keys):
        raise ValueError("a key stands twice")
    return dict(pairs)


def infinite(text):
    raise ValueError(text + " is no JSON")


def finite(text):
    value = float(text)
    if value in (float("inf"), float("-inf")):
        raise ValueError(text + " is too large")
    return value


def load(path):
    return json.loads(strip_comments(path.read_text(encoding="utf-8")), parse_float=finite,
                      object_pairs_hook=no_duplicates, parse_constant=infinite)


def schema(name):
    return json.loads((SOURCE / f"docs/reference/schema/{name}.schema.json").read_text())


def validator(name):
    return jsonschema.Draft202012Validator(schema(name))


def kind_of(sample):
    kind = sample.name.split(".")[0]
    return "script" if kind == "plan" else kind


def shipped():
    folders = {
        "script": ["sequences/library/scripts"],
        "board-type": ["sequences/library/board_types"],
        "dialect": ["drivers/dialects"],
        "simulated-bench": ["mock_instruments/benches"],
        "fault-book": ["sequences/library/fault_books"],
    }
    for kind, places in folders.items():
        for place in places:
            for path in sorted((SOURCE / place).glob("*.json")):
                yield kind, path
    for path in sorted((SOURCE / "docs/examples").rglob("bench*.json")):
        yield "bench", path


def good():
    yield from shipped()
    for folder in ["tests/sequences/script/samples/good", "tests/docs/samples"]:
        for path in sorted((SOURCE / folder).glob("*.json")):
            yield kind_of(path), path


def examples():
    """The JSON examples in the documents that are whole files."""
    for path in sorted((SOURCE / "docs").rglob("*.md")):
        for number, block in enumerate(re.findall(r"^```json\n(.*?)^```", path.read_text(),
                                                  re.DOTALL | re.MULTILINE)):
            if not block.startswith("{"):
                continue  # a piece of a file
            value = json.loads(strip_comments(block), object_pairs_hook=no_duplicates)
            for kind in KINDS:
                if next(iter(value)) == kind.replace("-", "_"):
                    yield kind, f"{path.name} example {number + 1}", value


def decode(documents):
    """The answer of the program to each (kind, value): "ok" or a message."""
    lines = "".join(f"{kind}\t{json.dumps(value)}\n" for kind, value in documents)
    done = subprocess.run([DECODER], input=lines, capture_output=True, text=True, check=True)
    answers = done.stdout.splitlines()
    assert len(answers) == len(documents)
    return answers


def places(value, path=()):
    yield path
    if isinstance(value, dict):
        for key in value:
            yield from places(value[key], path + (key,))
    elif isinstance(value, list):
        for index, child in enumerate(value):
            yield from places(child, path + (index,))


def at(value, path):
    for key in path:
        value = value[key]
    return value


def variants(value):
    """(what was done, the changed document) for every place of a document."""
    for path in places(value):
        here = at(value, path)
        name = "/" + "/".join(map(str, path))
        if "comment" in path or "$schema" in path:
            continue
        if isinstance(here, dict):
            changed = copy.deepcopy(value)
            at(changed, path)["zz_unknown"] = 1
            yield f"{name}: an unknown member", changed
            for key in here:
                changed = copy.deepcopy(value)
                del at(changed, path)[key]
                yield f"{name}: without {key}", changed
        if not path:
            continue
        others = [None, "zz"] if isinstance(here, (dict, list)) else [{}, "zz", -1.5, 1e12]
        if path[0] == "parameters":
            others = [None, {}]  # a schema does not follow a value to where it is used
        for other in others:
            changed = copy.deepcopy(value)
            at(changed, path[:-1])[path[-1]] = other
            yield f"{name}: {json.dumps(other)}", changed


class Schemas(unittest.TestCase):
    def test_are_schemas(self):
        for path in sorted((SOURCE / "docs/reference/schema").glob("*.schema.json")):
            with self.subTest(path.name):
                contents = json.loads(path.read_text())
                jsonschema.Draft202012Validator.check_schema(contents)
                self.assertEqual(contents["$schema"], "https://json-schema.org/draft/2020-12/schema")
                self.assertEqual(contents["$id"], path.name)

    def test_good_files_satisfy_them(self):
        seen = set()
        for kind, path in good():
            seen.add(kind)
            with self.subTest(path.name):
                error = jsonschema.exceptions.best_match(validator(kind).iter_errors(load(path)))
                self.assertIsNone(error, error and f"{path}: {error.json_path}: {error.message}")
        self.assertEqual(seen, set(KINDS), "a kind without a file is not tested at all")

    def test_examples_in_the_documents_are_right(self):
        found = list(examples())
        self.assertEqual({kind for kind, _, _ in found}, set(KINDS))
        answers = decode([(kind, value) for kind, _, value in found])
        for (kind, name, value), answer in zip(found, answers):
            with self.subTest(name):
                self.assertEqual(answer, "ok")
                self.assertTrue(validator(kind).is_valid(value))

    def test_what_a_run_leaves_satisfies_them(self):
        with tempfile.TemporaryDirectory() as folder:
            done = subprocess.run(
                [PROGRAM, "run", "response", "--bench", SOURCE / "docs/examples/bench-simulated.json",
                 "--board", "H30-001", "--out", folder, "--set", "points=2", "--json", "--quiet",
                 "--record", pathlib.Path(folder, "night.jsonl")],
                capture_output=True, text=True, check=True, timeout=60)
            left = json.loads(done.stdout)[0]
            recording = validator("recording")
            for line in pathlib.Path(folder, "night.jsonl").read_text().splitlines():
                self.assertTrue(recording.is_valid(json.loads(line)), line)
            for kind in ["results", "correction"]:
                error = jsonschema.exceptions.best_match(
                    validator(kind).iter_errors(load(pathlib.Path(left[kind]))))
                self.assertIsNone(error, error and f"{kind}: {error.json_path}: {error.message}")

    def test_files_wrong_in_structure_do_not(self):
        folder = SOURCE / "tests/sequences/script/samples/wrong/structure"
        samples = sorted(folder.glob("*.json"))
        self.assertGreater(len(samples), 50)
        for path in samples:
            with self.subTest(path.name):
                self.assertFalse(validator(kind_of(path)).is_valid(load(path)))

    def test_files_wrong_in_meaning_only_do(self):
        folder = SOURCE / "tests/sequences/script/samples/wrong/meaning"
        samples = sorted(folder.glob("*.json"))
        self.assertGreater(len(samples), 30)
        for path in samples:
            with self.subTest(path.name):
                self.assertTrue(validator(kind_of(path)).is_valid(load(path)),
                                "the schema refuses it: it belongs under structure/")

    def test_files_wrong_in_syntax_are_no_json(self):
        for path in sorted((SOURCE / "tests/sequences/script/samples/wrong/syntax").glob("*.json")):
            with self.subTest(path.name), self.assertRaises(ValueError):
                load(path)

    def test_agree_with_the_decoders_on_every_variant(self):
        documents = []
        for kind, path in good():
            contents = load(path)
            documents.append((kind, path.name, "as it is", contents))
            # The samples hold every member there is, and each dialect is a sample of its role.
            sample = ".full." in path.name or kind == "dialect"
            for what, changed in variants(contents) if sample else []:
                documents.append((kind, path.name, what, changed))
        validators = {kind: validator(kind) for kind in KINDS}
        answers = decode([(kind, value) for kind, _, _, value in documents])
        refused = 0
        wrong = []
        for (kind, name, what, value), answer in zip(documents, answers):
            accepts = validators[kind].is_valid(value)
            refused += answer != "ok"
            if accepts == (answer == "ok"):
                continue
            if accepts and any(re.search(each, answer) for each in MEANING[kind]):
                continue
            verdict = "accepts" if accepts else "refuses"
            wrong.append(f"{name}: {what}: the schema {verdict}, the program says {answer}")
        self.assertGreater(refused, 1000)
        self.assertEqual(wrong, [], f"{len(wrong)} of {len(documents)}:\n" + "\n".join(wrong[:40]))


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--source", type=pathlib.Path, required=True)
    parser.add_argument("--decoder", required=True)
    parser.add_argument("--program", required=True)
    options, rest = parser.parse_known_args()
    SOURCE, DECODER, PROGRAM = options.source, options.decoder, options.program
    unittest.main(argv=[sys.argv[0], *rest])

"""Every message that docs/reference/errors.md shows is one that the program can say, and every kind of
error has its section."""

import argparse
import pathlib
import re
import sys
import unittest

SOURCE = None


def catalogue():
    text = (SOURCE / "docs/reference/errors.md").read_text()
    return text, re.findall(r"^\| `(.+?)` \|", text, re.MULTILINE)


def said():
    """What the program's sources say in string literals, adjacent ones joined, and what the samples
    of wrong files are answered (syntax errors are worded by the JSON library)."""
    parts = []
    for top in ("drivers", "sequences", "daemon"):
        for path in sorted((SOURCE / top).rglob("*.cpp")):
            joined = re.sub(r'"\s*\n\s*"', "", path.read_text())
            parts.append(joined.replace('\\"', '"'))
    for path in sorted((SOURCE / "tests/sequences/script/samples/wrong").rglob("*.txt")):
        parts.append(path.read_text())
    return "\n".join(parts)


def longest_known(message, source):
    """The longest run of whole words of the message that the source holds."""
    words = message.split(" ")
    best = ""
    for first in range(len(words)):
        for last in range(first + 1, len(words) + 1):
            run = " ".join(words[first:last])
            if len(run) > len(best) and run in source:
                best = run
    return best


class Errors(unittest.TestCase):
    def test_messages_are_those_of_the_program(self):
        _, messages = catalogue()
        self.assertGreater(len(messages), 60)
        source = said()
        wrong = [message for message in messages
                 if len(longest_known(message, source)) < min(10, len(message) - 4)]
        self.assertEqual(wrong, [])

    def test_every_kind_is_described(self):
        text, _ = catalogue()
        kinds = re.findall(r'return "([a-z-]+)";', (SOURCE / "drivers/base/error.cpp").read_text())
        self.assertGreaterEqual(len(set(kinds)), 9)
        for kind in set(kinds):
            self.assertIn(f"\n## {kind}\n", text)
            self.assertIn(f"[`{kind}`](#{kind})", text)

    def test_links_between_documents_lead_somewhere(self):
        wrong = []
        for path in sorted((SOURCE / "docs").rglob("*.md")):
            for link in re.findall(r"\]\(([^)#\s]+)(?:#[^)]*)?\)", path.read_text()):
                if not re.match(r"[a-z]+:", link) and not (path.parent / link).exists():
                    wrong.append(f"{path.relative_to(SOURCE)}: {link}")
        self.assertEqual(wrong, [])


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--source", type=pathlib.Path, required=True)
    options, rest = parser.parse_known_args()
    SOURCE = options.source
    unittest.main(argv=[sys.argv[0], *rest])

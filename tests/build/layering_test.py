"""Arrows point down only, and the build enforces it.

Compiles one-line files against the include directories that CMake gives each library: a header of a
folder that the rules forbid must not be found, and every header must compile alone. The build itself
shows the latter for a header that is the first thing a compiled file of its folder includes; the few
others are compiled here.
"""

import argparse
import concurrent.futures
import json
import pathlib
import re
import subprocess
import sys
import unittest

SOURCE = BUILD = COMPILER = None
ORDER = ["drivers", "sequences", "daemon"]
WORKERS = 2


class Library:
    def __init__(self, listing):
        self.target = listing.stem
        # The compiler looks into /usr/include by itself; named, it would come before its own headers.
        self.includes = [line for line in listing.read_text().splitlines()
                         if line and line != "/usr/include"]
        tree = BUILD / "include" / self.target
        self.folder = next(str(path.relative_to(tree)) for path in sorted(tree.rglob("*"))
                           if path.is_symlink())
        self.headers = []

    def __str__(self):
        return self.folder

    def flags(self):
        return ["-std=c++23", "-fsyntax-only", "-x", "c++"] + ["-I" + each for each in self.includes]


def libraries():
    found = [Library(listing) for listing in sorted((BUILD / "layering").glob("*.includes"))]
    folders = [each.folder for each in found]
    for each in found:
        for header in sorted((SOURCE / each.folder).rglob("*.hpp")):
            path = str(header.relative_to(SOURCE))
            owner = max((f for f in folders if path.startswith(f + "/")), key=len)
            if owner == each.folder:
                each.headers.append(path)
    return found


def forbidden(user, used):
    """Whether a file of folder `user` must not include one of folder `used`."""
    above, below = user.split("/")[0], used.split("/")[0]
    if user == used:
        return False
    if user in ("sequences/signal", "sequences/reading"):  # numbers in, numbers out
        return used not in ("sequences/signal", "sequences/reading")
    if above == "mock_instruments":  # stands where instruments would: knows links, not us
        return below != "mock_instruments" and not used.startswith(("drivers/base", "drivers/link"))
    if below == "mock_instruments":  # only what people start may start it
        return above != "daemon"
    return ORDER.index(above) < ORDER.index(below)


def compiles(library, text):
    command = [COMPILER, *library.flags(), "-"]
    # Not from the top of the repository, where the compiler would find every header by itself.
    done = subprocess.run(command, input=text, capture_output=True, text=True, check=False,
                          cwd=BUILD / "layering")
    return done.returncode == 0, done.stderr


def in_parallel(work, items):
    with concurrent.futures.ThreadPoolExecutor(WORKERS) as pool:
        return list(pool.map(work, items))


def first_includes():
    """What the files that the build compiles include first, by folder."""
    found = set()
    for entry in json.loads((BUILD / "compile_commands.json").read_text()):
        path = pathlib.Path(entry["file"])
        first = re.search(r'^\s*#\s*include\s*[<"]([^>"]+)', path.read_text(), re.MULTILINE)
        if first and path.is_relative_to(SOURCE):
            found.add((str(path.parent.relative_to(SOURCE)), first.group(1)))
    return found


class Layering(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.libraries = libraries()

    def test_there_are_libraries_with_headers(self):
        folders = {each.folder for each in self.libraries}
        self.assertLessEqual({"drivers/base", "sequences/script"}, folders)
        for each in self.libraries:
            self.assertTrue(each.headers, f"{each} has no header")

    def test_the_rules_are_those_of_the_design(self):
        self.assertTrue(forbidden("sequences/signal", "drivers/link"))
        self.assertTrue(forbidden("sequences/diagnosis", "mock_instruments/board"))
        self.assertTrue(forbidden("drivers/base", "sequences/script"))
        self.assertTrue(forbidden("mock_instruments/server", "sequences/script"))
        self.assertTrue(forbidden("mock_instruments/server", "drivers/scpi"))
        self.assertFalse(forbidden("daemon/cli", "mock_instruments/server"))
        self.assertFalse(forbidden("sequences/engine", "drivers/bench"))

    def test_forbidden_headers_are_not_found(self):
        def reachable(user):
            text = ""
            for used in self.libraries:
                for header in used.headers[:1]:
                    if forbidden(user.folder, used.folder):
                        text += f'#if __has_include("{header}")\n#error can include {header}\n#endif\n'
            # The compiler must look at all: what a folder needs is there.
            text += f'#if !__has_include("{user.headers[0]}")\n#error lost its own headers\n#endif\n'
            good, said = compiles(user, text)
            return None if good else f"{user}:\n{said}"

        self.assertEqual([each for each in in_parallel(reachable, self.libraries) if each], [])

    def test_a_forbidden_include_does_not_compile(self):
        signal = next(each for each in self.libraries if each.folder == "sequences/signal")
        good, said = compiles(signal, '#include "drivers/link/link.hpp"\n')
        self.assertFalse(good)
        self.assertIn("drivers/link/link.hpp", said)

    def test_sources_include_nothing_forbidden_by_another_way(self):
        """A path with ".." or an absolute one would go round the include directories."""
        wrong = []
        for library in self.libraries:
            pure = library.folder in ("sequences/signal", "sequences/reading")
            for path in sorted((SOURCE / library.folder).glob("*.[ch]pp")):
                for line in path.read_text().splitlines():
                    said = re.match(r'\s*#\s*include\s*([<"])([^>"]+)', line)
                    if not said:
                        continue
                    kind, name = said.groups()
                    if kind == '"' and (name.startswith("/") or ".." in name
                                        or not (SOURCE / name).exists()):
                        wrong.append(f"{path}: {name} is no path of the repository")
                    if pure and re.match(r"(boost|nlohmann|spdlog)/|(chrono|fstream|iostream|thread)$",
                                         name):
                        wrong.append(f"{path}: {name} in a folder of pure functions")
        self.assertEqual(wrong, [])

    def test_headers_compile_alone(self):
        shown = first_includes()
        items = [(library, header) for library in self.libraries for header in library.headers
                 if (str(pathlib.Path(header).parent), header) not in shown]
        everything = sum(len(each.headers) for each in self.libraries)
        self.assertGreater(everything, 50)
        self.assertLess(len(items), 40, "too many headers that no file includes first")

        def alone(item):
            library, header = item
            good, said = compiles(library, f'#include "{header}"\n')
            return None if good else f"{header}:\n" + "\n".join(said.splitlines()[:6])

        self.assertEqual([each for each in in_parallel(alone, items) if each], [])


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--source", type=pathlib.Path, required=True)
    parser.add_argument("--build", type=pathlib.Path, required=True)
    parser.add_argument("--compiler", required=True)
    options, rest = parser.parse_known_args()
    SOURCE, BUILD, COMPILER = options.source, options.build, options.compiler
    unittest.main(argv=[sys.argv[0], *rest])

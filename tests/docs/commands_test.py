#!/usr/bin/env python3
"""Runs every command of the documents, in their order, as a reader would.

    commands_test.py SOURCE_DIR BINARY_DIR

A fenced block marked `sh` is run with `bash -e`, all blocks of one document in one scratch folder that looks
like the top of the repository. A block is left out only when a comment "not run by the tests: REASON" stands
right before it. Ends with a count; any command that fails ends the test.
"""
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

BLOCK = re.compile(r"(<!-- not run by the tests: [^>]*-->\n)?```sh\n(.*?)```", re.S)


def main() -> int:
    source, binary = Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve()
    documents = sorted(source.glob("docs/**/*.md"))
    environment = dict(os.environ, PATH=f"{binary}:{os.environ['PATH']}", NIGHTBENCH_HOME=str(source))
    ran = left = 0
    for document in documents:
        blocks = BLOCK.findall(document.read_text(encoding="utf-8"))
        if not blocks:
            continue
        with tempfile.TemporaryDirectory(prefix="nightbench-docs-") as folder:
            for entry in source.iterdir():
                if entry.name not in (".git", "build", "out"):
                    os.symlink(entry, Path(folder, entry.name))
            for excused, text in blocks:
                if excused:
                    left += 1
                    continue
                done = subprocess.run(["bash", "-e", "-c", text], cwd=folder, env=environment, text=True,
                                      capture_output=True, timeout=120)
                ran += 1
                if done.returncode != 0:
                    print(f"{document.relative_to(source)}: exit {done.returncode} of\n{text}\n"
                          f"{done.stdout[-2000:]}{done.stderr[-2000:]}")
                    return 1
    print(f"{ran} blocks of commands ran, {left} are left out with a reason")
    return 0 if ran else 1


if __name__ == "__main__":
    sys.exit(main())

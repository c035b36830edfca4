#!/usr/bin/python3
"""The two-channel fit against a plain Gauss-Newton in numpy, on the same samples.

    tests/bench/compare_with_numpy.py BUILD_DIR [POINTS]

Runs BUILD_DIR/tests/bench/bench_two_channel_fit for POINTS (10000) points a channel, reads the
samples it used, fits them with numpy from the same start to the same stop rule, and prints both
times, their ratio, and how far the frequencies differ. Exit code 1 when they differ by more than
1e-9 relative. Needs python3-numpy.
"""
import json
import subprocess
import sys
import tempfile
import time

import numpy as np


def gauss_newton(i, q, start_hz, dt, stop_rad=1e-9, most=30):
    """Seven parameters, all columns built, numpy's own least squares."""
    n = len(i)
    t = (np.arange(n) - (n - 1) / 2) * dt
    y = np.concatenate([i, q])
    w = 2 * np.pi * start_hz
    one, nil = np.ones(n), np.zeros(n)

    def columns():
        c, s = np.cos(w * t), np.sin(w * t)
        return np.column_stack([np.concatenate(pair) for pair in (
            (c, nil), (s, nil), (one, nil), (nil, c), (nil, s), (nil, one))])

    def solve(matrix):
        return np.linalg.solve(matrix.T @ matrix, matrix.T @ y)

    x = solve(columns())
    for _ in range(most):
        d = columns()
        slope = np.concatenate([t * (x[1] * d[:n, 0] - x[0] * d[:n, 1]),
                                t * (x[4] * d[:n, 0] - x[3] * d[:n, 1])]) / (n * dt)
        z = solve(np.column_stack([d, slope]))
        step = z[6] / (n * dt)
        w += step
        x = solve(columns())
        if abs(step) * n * dt < stop_rad:
            break
    return w / (2 * np.pi)


def main():
    build = sys.argv[1]
    points = int(sys.argv[2]) if len(sys.argv) > 2 else 10000
    program = f"{build}/tests/bench/bench_two_channel_fit"
    out = subprocess.run([program, f"--benchmark_filter=^(two_channel_fit|pass_.*)/{points}$",
                          "--benchmark_format=json", "--benchmark_min_time=1"],
                         check=True, capture_output=True, text=True).stdout
    runs = {run["name"].split("/")[0]: run for run in json.loads(out)["benchmarks"]}
    micro = {"ns": 1e-3, "us": 1.0, "ms": 1e3, "s": 1e6}
    times = {name: run["cpu_time"] * micro[run["time_unit"]] for name, run in runs.items()}
    ours = times["two_channel_fit"]
    frequency = runs["two_channel_fit"]["frequency_hz"]

    with tempfile.NamedTemporaryFile() as file:
        subprocess.run([program, "--write-records", file.name, str(points)], check=True)
        codes = np.fromfile(file.name, dtype="<i2").astype(float) * 1e-3
    i, q = codes[:points], codes[points:]
    start = (max(0.0127182818, 10.3 / points) + 0.1 / points) * 1e6
    best = np.inf
    for _ in range(9):
        begun = time.process_time()
        theirs = gauss_newton(i, q, start, 1e-6)
        best = min(best, time.process_time() - begun)
    numpy_us = best * 1e6
    apart = abs(theirs - frequency) / frequency

    print(f"points a channel           {points}")
    print(f"one pass over the codes    {times['pass_over_memory']:12.1f} us")
    print(f"one pass as volts          {times['pass_as_volts']:12.1f} us")
    print(f"two-channel fit            {ours:12.1f} us")
    print(f"numpy Gauss-Newton         {numpy_us:12.1f} us (CPU time, best of 9)")
    print(f"numpy / ours               {numpy_us / ours:12.1f}")
    print(f"frequencies differ by      {apart:12.1e} relative")
    return 0 if apart < 1e-9 else 1


if __name__ == "__main__":
    sys.exit(main())

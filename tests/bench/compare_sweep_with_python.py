#!/usr/bin/python3
"""The same sweep by Nightbench and by a straightforward Python script, side by side.

    tests/bench/compare_sweep_with_python.py BUILD_DIR [POINTS [instant|typical]]

Starts BUILD_DIR/nightbench simulate (a process of its own) at the pace asked for, sweeps POINTS (300)
frequencies with 2 x 10 000 samples each, once with `nightbench run` and once with PyVISA's pure Python
back end and numpy, and prints points a second of both and their ratio. The script sets both sources,
waits by *OPC?, captures, reads two blocks and fits two channels with one frequency; it keeps no
uncertainty, judges nothing, checks nothing and stores nothing. Needs python3-pyvisa-py and python3-numpy.
"""
import json
import pathlib
import subprocess
import sys
import tempfile
import time

import numpy as np
import pyvisa

from compare_with_numpy import gauss_newton

SOURCE = pathlib.Path(__file__).resolve().parents[2]
FROM_HZ, TO_HZ, OFFSET_HZ, LEVEL_DBM = 10.100e6, 10.150e6, 5e3, -40.0


def frequencies(points):
    return np.linspace(FROM_HZ, TO_HZ, points)


def by_python(resources, points):
    manager = pyvisa.ResourceManager("@py")

    def connect(name):
        return manager.open_resource(resources[name], read_termination="\n", write_termination="\n",
                                     timeout=5000)

    generator, clock, scope, supply = map(connect, ("generator", "clock", "scope", "supply"))
    supply.write(":INST:NSEL 1;:SOUR:VOLT 10;:SOUR:CURR 0.15;:OUTP ON")
    clock.write(":SOUR1:FUNC SQU;:SOUR2:FUNC SQU;:SOUR1:VOLT 5;:SOUR2:VOLT 5;:SOUR2:PHAS 90;:OUTP1 ON;:OUTP2 ON")
    generator.write(f":UNIT:POW DBM;:SOUR:POW {LEVEL_DBM};:OUTP ON")
    scope.write(":WAV:FORM WORD;:WAV:BYT LSBF;:WAV:UNS OFF;:TRIG:SWE AUTO")
    for channel in (1, 2):
        scope.write(f":CHAN{channel}:DISP ON;:CHAN{channel}:RANG 4;:CHAN{channel}:OFFS 2.5;:CHAN{channel}:COUP DC")
    scope.write(":ACQ:POIN 10000;:ACQ:SRAT 2000000")
    scope.query("*OPC?")
    began = time.perf_counter()
    results = []
    for rf_hz in frequencies(points):
        lo_hz = rf_hz - OFFSET_HZ
        clock.write(f":SOUR1:FREQ {lo_hz:.6f};:SOUR2:FREQ {lo_hz:.6f}")
        generator.write(f":SOUR:FREQ {rf_hz:.6f}")
        clock.query("*OPC?")
        generator.query("*OPC?")
        scope.write(":SING")
        scope.query("*OPC?")
        volts = []
        for channel in (1, 2):
            scope.write(f":WAV:SOUR CHAN{channel};:WAV:POIN 10000")
            _, _, _, _, dt, _, _, scale, offset, _ = map(float, scope.query(":WAV:PRE?").split(","))
            codes = scope.query_binary_values(":WAV:DATA?", datatype="h", container=np.array)
            volts.append(codes * scale + offset)
        results.append(gauss_newton(volts[0], volts[1], OFFSET_HZ, dt))
    took = time.perf_counter() - began
    for each in (generator, clock, supply):
        each.write(":OUTP OFF" if each is not clock else ":OUTP1 OFF;:OUTP2 OFF")
    for each in (generator, clock, scope, supply):
        each.close()
    assert all(abs(found - OFFSET_HZ) < 20 for found in results), "the script's own frequencies are off"
    return took


def by_nightbench(build, resources, points, folder):
    bench = json.loads("\n".join(line for line in (SOURCE / "docs/examples/bench-simulated.json").read_text().splitlines()
                                 if not line.strip().startswith("//")))
    bench["kind"] = "instruments"
    del bench["simulation"]
    for name, entry in bench["instruments"].items():
        entry["resource"] = resources[name]
        entry["settle"] = "11 ms" if entry["role"].endswith("_source") else entry.get("settle", "10 ms")
        if entry["role"] not in ("rf_source", "lo_source"):
            entry.pop("settle")
    if "instant" in str(resources["pace"]):
        for name in ("generator", "clock"):
            bench["instruments"][name]["settle"] = "0 s"
    file = folder / "bench.json"
    file.write_text(json.dumps(bench))
    script = folder / "sweep.json"
    script.write_text(json.dumps({"script": "sweep", "board_type": "heron-30", "steps": [
        {"step": "power", "output": "on"},
        {"step": "sweep", "over": [
            {"axis": "offset", "list": [OFFSET_HZ]}, {"axis": "level", "list": [f"{LEVEL_DBM:g} dBm"]},
            {"axis": "rf", "from": FROM_HZ, "to": TO_HZ, "points": points}],
         "do": [{"step": "pair"}]},
        {"step": "power", "output": "off"}]}))
    command = [f"{build}/nightbench", "run", str(script), "--bench", str(file), "--board", "H30-001",
               "--out", str(folder / "out")]
    out = subprocess.run(command, capture_output=True, text=True)
    if out.returncode not in (0, 1):
        sys.exit(out.stderr)
    spent = [line for line in out.stderr.splitlines() + out.stdout.splitlines() if "settling" in line]
    text = spent[-1].split("of ", 1)[1]
    value, unit = text.split(":")[0].split()
    return float(value) * {"ms": 1e-3, "s": 1.0, "min": 60.0}[unit], text


def main():
    build = pathlib.Path(sys.argv[1]).resolve()
    points = int(sys.argv[2]) if len(sys.argv) > 2 else 300
    pace = sys.argv[3] if len(sys.argv) > 3 else "instant"
    name = "heron-30" if pace == "instant" else "heron-30-typical"
    simulated = subprocess.Popen([f"{build}/nightbench", "simulate", str(SOURCE / f"mock_instruments/benches/{name}.json")],
                                 stdout=subprocess.PIPE, text=True)
    try:
        resources = {"pace": pace}
        while not {"clock", "generator", "meter", "relays", "scope", "supply"} <= set(resources):
            who, resource = simulated.stdout.readline().rstrip("\n").split("\t")[:2]
            resources[who] = resource
        with tempfile.TemporaryDirectory() as folder:
            ours_s, text = by_nightbench(build, resources, points, pathlib.Path(folder))
        python_s = by_python(resources, points)
    finally:
        simulated.terminate()
        simulated.wait()
    print(f"{points} points, 2 x 10 000 samples each, simulated bench at {pace} pace")
    print(f"nightbench  {points / ours_s:8.1f} points/s   ({ours_s:.2f} s, the whole run; {text})")
    print(f"python      {points / python_s:8.1f} points/s   ({python_s:.2f} s, the sweep alone)")
    print(f"ratio       {python_s / ours_s:8.2f}")


if __name__ == "__main__":
    main()

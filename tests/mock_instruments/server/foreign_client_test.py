"""A foreign client (PyVISA with its pure-Python backend) talks to mock_bench over TCP sockets.

usage: foreign_client_test.py MOCK_BENCH BENCH.json
Exit code 0 when all is well, 1 with the reason, 77 (skipped) when PyVISA is not installed.
"""

import math
import struct
import subprocess
import sys

SKIPPED = 77

try:
    import pyvisa
    import pyvisa_py  # noqa: F401  (the backend that "@py" names)
except ImportError as missing:
    print(f"skipped: {missing.name} is not installed (Debian: python3-pyvisa, python3-pyvisa-py)")
    sys.exit(SKIPPED)


def check(condition, text):
    if not condition:
        raise AssertionError(text)


def read_block(instrument, query):
    """The bytes of a definite length block (IEEE 488.2, 8.7.9), decoded here and not by PyVISA."""
    instrument.write(query)
    head = instrument.read_bytes(2)
    check(head[:1] == b"#", f"{query}: no block but {head!r}")
    count = int(instrument.read_bytes(int(head[1:2])))
    data = instrument.read_bytes(count)
    check(instrument.read_bytes(1) == b"\n", f"{query}: no NL behind the block")
    return data


def error_free(instrument):
    number, _, text = instrument.query(":SYST:ERR?").partition(",")
    check(int(number) == 0, f"error {number},{text}")


def settings(instrument, table):
    for command, query, wanted in table:
        instrument.write(command)
        found = float(instrument.query(query))
        check(math.isclose(found, wanted, rel_tol=1e-9), f"{command}: {query} says {found}")
    error_free(instrument)


def converse(names, resources):
    check(sorted(names) == ["clock", "generator", "meter", "relays", "scope", "supply"],
          f"instruments: {sorted(names)}")
    for name, instrument in names.items():
        fields = instrument.query("*IDN?").split(",")
        check(len(fields) == 4 and fields[0] == "NIGHTBENCH", f"{name}: *IDN? says {fields}")
        check(instrument.query("SYST:VERS?") == "1999.0", f"{name}: SYST:VERS?")
        check(instrument.query("*OPC?") == "1", f"{name}: *OPC?")
        error_free(instrument)

    settings(names["generator"], [
        (":SOUR:FREQ 10.105 MHZ", ":SOUR:FREQ?", 10.105e6),
        ("POW:LEV -40DBM", "POW?", -40.0),
        ("OUTPUT:STATE ON", "OUTP?", 1),
    ])
    settings(names["clock"], [
        (":SOUR1:FREQ 10.1E6", ":SOUR2:FREQ?", 10.1e6),
        (":SOUR2:PHAS 90", ":SOUR2:PHAS?", 90.0),
        (":OUTP1 ON", ":OUTP1?", 1),
        (":OUTP2 ON", ":OUTP2?", 1),
    ])
    settings(names["supply"], [
        (":SOUR:CURR 0.15", ":SOUR:CURR?", 0.15),
        (":SOUR:VOLT 10", ":SOUR:VOLT?", 10.0),
        (":OUTP ON", ":OUTP?", 1),
    ])
    amperes = float(names["supply"].query(":MEAS:CURR?"))
    check(0.005 < amperes < 0.08, f"the board draws {amperes} A")
    names["relays"].write(":ROUT:CLOS (@102)")
    check(names["relays"].query(":ROUT:CLOS? (@101,102)") == "0,1", "relays")
    volts = float(names["meter"].query(":MEAS:VOLT:DC?"))
    check(abs(volts - 5.0) < 0.1, f"switch supply {volts} V")

    generator = names["generator"]
    for bad, number in [("FREQU 1", -113), (":SOUR:FREQ 1E15", -222), ("FREQ 1 V", -131),
                        ("OUTP", -109), ("OUTP 1,2", -108), ("OUTP3 1", -114)]:
        generator.write(bad)
        found = int(generator.query(":SYST:ERR?").split(",")[0])
        check(found == number, f"{bad}: error {found}, not {number}")
    error_free(generator)

    waveform(names["scope"])


def waveform(scope):
    points = 4000
    scope.write(f":ACQ:SRAT 200E3;POIN {points};:TRIG:SWE AUTO")
    for channel in (1, 2):
        scope.write(f":CHAN{channel}:DISP ON;RANG 4;OFFS 2.5")
    check(scope.query(":SING;*OPC?") == "1", "single acquisition")
    error_free(scope)
    phasors = []
    for channel in (1, 2):
        scope.write(f":WAV:SOUR CHAN{channel};FORM ASC")
        ours = [float(each) for each in scope.query(":WAV:DATA?").split(",")]
        check(len(ours) == points, f"{len(ours)} points")
        decoded = []
        for form, letter, order in [("BYTE", "B", ""), ("WORD", "H", ">"), ("WORD", "H", "<")]:
            scope.write(f":WAV:FORM {form};UNS ON;BYT {'LSBF' if order == '<' else 'MSBF'}")
            pre = [float(each) for each in scope.query(":WAV:PRE?").split(",")]
            check(len(pre) == 10 and pre[2] == points, f"preamble {pre}")
            codes = struct.unpack(f"{order}{points}{letter}", read_block(scope, ":WAV:DATA?"))
            decoded = [(code - pre[9]) * pre[7] + pre[8] for code in codes]
            worst = max(abs(a - b) for a, b in zip(decoded, ours))
            check(worst < 1e-5, f"channel {channel} as {form}: {worst} V apart")
        mean = sum(decoded) / points
        step = pre[4]
        phasors.append(sum((v - mean) * complex(math.cos(a), -math.sin(a))
                           for v, a in ((decoded[i], 2 * math.pi * 5000.0 * step * i)
                                        for i in range(points))) * 2 / points)
    ratio = phasors[1] / phasors[0]
    angle = math.degrees(math.atan2(ratio.imag, ratio.real))
    check(abs(phasors[0]) > 0.3, f"I is {abs(phasors[0])} V")
    check(abs(abs(angle) - 90) < 5, f"I and Q are {angle} degrees apart")
    check(abs(abs(ratio) - 1) < 0.05, f"I and Q differ by {abs(ratio)}")


def main():
    bench = subprocess.Popen(sys.argv[1:3], stdout=subprocess.PIPE, text=True)
    try:
        resources = {}
        while len(resources) < 6:
            line = bench.stdout.readline()
            check(line, "the bench ended early")
            name, resource = line.rstrip("\n").split("\t")
            resources[name] = resource
        manager = pyvisa.ResourceManager("@py")
        names = {}
        for name, resource in resources.items():
            instrument = manager.open_resource(resource)
            instrument.read_termination = "\n"
            instrument.write_termination = "\n"
            instrument.timeout = 10_000
            names[name] = instrument
        converse(names, resources)
        for instrument in names.values():
            instrument.close()
        manager.close()
        bench.terminate()
        check(bench.wait(timeout=10) == 0, "the bench did not end with 0")
    except AssertionError as wrong:
        print(f"FAILED: {wrong}")
        return 1
    finally:
        if bench.poll() is None:
            bench.kill()
    print("identity, settings, error queue and waveforms agree")
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""A foreign VXI-11 client (PyVISA with its pure-Python backend) talks to the simulated server.

usage: foreign_vxi11_test.py SERVE_ECHO
Its client asks the port mapper on port 111: the machine's own (rpcbind) when one runs, else ours,
which needs root. Exit code 0 when all is well, 1 with the reason, 77 (skipped) with the reason.
"""

import os
import shutil
import socket
import subprocess
import sys

SKIPPED = 77

try:
    import pyvisa
    import pyvisa_py  # noqa: F401  (the backend that "@py" names)
    from pyvisa import constants
except ImportError as missing:
    print(f"skipped: {missing.name} is not installed (Debian: python3-pyvisa, python3-pyvisa-py)")
    sys.exit(SKIPPED)


def check(condition, text):
    if not condition:
        raise AssertionError(text)


def listens(port):
    with socket.socket() as probe:
        probe.settimeout(1)
        return probe.connect_ex(("127.0.0.1", port)) == 0


def start_mapper():
    """rpcbind when it is installed and nothing is there; its process, or None."""
    if listens(111) or os.geteuid() != 0 or not shutil.which("rpcbind", path="/usr/sbin:/sbin:/usr/bin"):
        return None
    mapper = subprocess.Popen(["/usr/sbin/rpcbind", "-f"])
    for _ in range(50):
        if listens(111):
            return mapper
        try:
            mapper.wait(timeout=0.1)
            break
        except subprocess.TimeoutExpired:
            pass
    mapper.kill()
    mapper.wait()
    return None


def seen_by_rpcinfo():
    """The VXI-11 core program as rpcinfo lists it, when that is installed."""
    rpcinfo = shutil.which("rpcinfo", path="/usr/sbin:/sbin:/usr/bin")
    if not rpcinfo:
        print("rpcinfo is not installed: the list of programs was not looked at")
        return
    text = subprocess.run([rpcinfo, "-p", "127.0.0.1"], capture_output=True, text=True, timeout=20,
                          check=True).stdout
    rows = [line.split() for line in text.splitlines()[1:]]
    check(any(row[:3] == ["395183", "1", "tcp"] for row in rows), f"rpcinfo -p says {text}")
    answer = subprocess.run([rpcinfo, "-T", "tcp", "127.0.0.1", "395183", "1"], capture_output=True,
                            text=True, timeout=20, check=False)
    check("ready and waiting" in answer.stdout, f"rpcinfo -T tcp: {answer.stdout}{answer.stderr}")
    print("rpcinfo: program 395183 version 1 ready and waiting")


def converse(manager):
    instrument = manager.open_resource("TCPIP::127.0.0.1::inst0::INSTR")
    instrument.timeout = 5000
    instrument.read_termination = None
    instrument.write_termination = "\n"
    check(instrument.query("*IDN?") == "Heronworks,E1,0042,1.0\n", "*IDN?")
    for count in (0, 1, 2, 3, 4, 5, 1023, 1024, 1025, 70_000, 3_000_000):
        instrument.write(f"BLOCK? {count}")
        data = instrument.read_raw()
        digits = str(count)
        head = f"#{len(digits)}{digits}".encode()
        check(data[:len(head)] == head, f"BLOCK? {count}: head {data[:10]!r}")
        check(len(data) == len(head) + count + 1, f"BLOCK? {count}: {len(data)} bytes")
        wanted = bytes(((i * 2654435761 & 0xFFFFFFFFFFFFFFFF) >> 7) & 0xFF for i in range(min(count, 5000)))
        check(data[len(head):len(head) + len(wanted)] == wanted, f"BLOCK? {count}: data")
    check(instrument.query("x" * 5000 + "?") == "x" * 5000 + "?\n", "a long message")
    check(instrument.read_stb() & 0x10 == 0, "status byte with nothing to read")
    instrument.write("HANG?")
    instrument.clear()
    check(instrument.query("*IDN?") == "Heronworks,E1,0042,1.0\n", "*IDN? after a device clear")
    instrument.timeout = 200
    try:
        instrument.read()
        check(False, "a read with nothing asked did not time out")
    except pyvisa.errors.VisaIOError as error:
        check(error.error_code == constants.StatusCode.error_timeout, f"error {error}")
    instrument.assert_trigger()
    instrument.close()


def main():
    mapper = start_mapper()
    server = subprocess.Popen([sys.argv[1]], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        how = server.stdout.readline().strip()
        if not how.startswith("ready"):
            print(f"skipped: {how or 'the server ended'}")
            return SKIPPED
        print(how)
        seen_by_rpcinfo()
        manager = pyvisa.ResourceManager("@py")
        converse(manager)
        manager.close()
    except AssertionError as wrong:
        print(f"FAILED: {wrong}")
        return 1
    finally:
        server.stdin.close()
        try:
            server.wait(timeout=10)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()
        if mapper:
            mapper.terminate()
            mapper.wait()
    print("identity, blocks, long messages, clear, status and time-outs agree")
    return 0


if __name__ == "__main__":
    sys.exit(main())

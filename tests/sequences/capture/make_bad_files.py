#!/usr/bin/env python3
"""Writes the folder bad/: capture files that each say one untrue thing. expected.txt is kept by hand."""
import hashlib
import json
import pathlib
import struct

BAD = pathlib.Path(__file__).parent / "bad"
GOOD = struct.pack("<8f", *[0.25 * n for n in range(8)])  # four complex samples


def sigmf(name, data=GOOD, hashed=False, drop=(), segments=None, annotations=(), **changed):
    meta = {"core:datatype": "cf32_le", "core:version": "1.2.0", "core:sample_rate": 1000.0}
    if hashed:
        meta["core:sha512"] = hashlib.sha512(data).hexdigest()
    meta.update({"core:" + key: value for key, value in changed.items()})
    for key in drop:
        del meta["core:" + key]
    text = {"global": meta, "captures": segments or [{"core:sample_start": 0}],
            "annotations": list(annotations)}
    (BAD / f"{name}.sigmf-meta").write_text(json.dumps(text, indent=1) + "\n")
    if data is not None:
        (BAD / f"{name}.sigmf-data").write_bytes(data)


def chunk(name, body):
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def wav(name, samples=struct.pack("<8h", *range(8)), tag=1, channels=2, bits=16, data=None,
        frame=None):
    frame = frame or channels * bits // 8
    form = struct.pack("<HHIIHH", tag, channels, 48000, 48000 * frame, frame, bits)
    body = b"WAVE" + chunk(b"fmt ", form) + (data or chunk(b"data", samples))
    (BAD / f"{name}.wav").write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)


BAD.mkdir(exist_ok=True)
sigmf("part_of_a_sample", data=GOOD + b"\0\0\0")
sigmf("hash_disagrees", data=GOOD, sha512=hashlib.sha512(GOOD + b"\0").hexdigest())
sigmf("hash_short", sha512="12ab")
sigmf("annotation_beyond", hashed=True,
      annotations=[{"core:sample_start": 1, "core:sample_count": 2},
                   {"core:sample_start": 2, "core:sample_count": 3}])
sigmf("segment_beyond", segments=[{"core:sample_start": 4}])
sigmf("two_segments", segments=[{"core:sample_start": 0}, {"core:sample_start": 2}])
sigmf("header_bytes", segments=[{"core:sample_start": 0, "core:header_bytes": 16}])
sigmf("local_time", segments=[{"core:sample_start": 0,
                               "core:datetime": "2026-11-25T03:04:05+01:00"}])
sigmf("rate_zero", sample_rate=0)
sigmf("rate_negative", sample_rate=-1000.0)
sigmf("rate_text", sample_rate="NaN")
sigmf("rate_missing", drop=["sample_rate"])
sigmf("datatype_unknown", datatype="cf33_le")
sigmf("datatype_not_read", datatype="ci32_le")
sigmf("datatype_missing", drop=["datatype"])
sigmf("version_two", version="2.0.0")
sigmf("no_channels", num_channels=0)
sigmf("data_missing", data=None)
sigmf("data_empty", data=b"")
sigmf("one_sample", data=GOOD[:8])
sigmf("nan_inside", data=GOOD[:20] + struct.pack("<3f", float("nan"), 0, 0))
sigmf("infinity_inside", data=GOOD[:24] + struct.pack("<2f", float("-inf"), 0))
sigmf("other_data_name", dataset="elsewhere.bin")
sigmf("metadata_only", metadata_only=True)
sigmf("trailing_bytes", trailing_bytes=4)
sigmf("needed_extension",
      extensions=[{"name": "antenna", "version": "1.0.0", "optional": True},
                  {"name": "scaling", "version": "0.1.0", "optional": False}])
(BAD / "meta_missing.sigmf-data").write_bytes(GOOD)
(BAD / "no_json.sigmf-meta").write_text('{"global": {"core:datatype": "cf32_le",}\n')
(BAD / "rate_not_a_number.sigmf-meta").write_text(
    '{"global": {"core:datatype": "cf32_le", "core:version": "1.2.0", "core:sample_rate": NaN},\n'
    ' "captures": [], "annotations": []}\n')
(BAD / "no_annotations.sigmf-meta").write_text(
    '{"global": {"core:datatype": "cf32_le", "core:version": "1.2.0"}, "captures": []}\n')
(BAD / "archive.sigmf").write_bytes(b"\0" * 1024)

for name, text in {
    "empty": "",
    "only_names": "I,Q,time\n",
    "one_sample": "1,2,0\n",
    "nan_inside": "I,Q,time\n1,2,0\n1,nan,1e-3\n3,4,2e-3\n",
    "nan_first": "nan,nan,0\n1,2,1e-3\n",
    "unequal_channels": "1,2,0\n2,3,1e-3\n4\n",
    "unequal_blank": "I,time,Q\n1,0,2\n2,1e-3,\n",
    "too_many": "1,2,0\n2,3,1e-3,7\n",
    "four_columns": "1,2,3,4\n",
    "no_rate": "1,2\n2,3\n",
    "lost_sample": "I,Q,time [ms]\n" + "".join(f"1,2,{n}\n" for n in (0, 1, 2, 4, 5)),
    "time_stands": "1,2,0\n2,3,1e-3\n2,3,1e-3\n",
    "time_first": "0,1,2\n1e-3,2,1\n2e-3,3,7\n",
    "unknown_name": "I,Q,volume\n1,2,3\n",
    "name_twice": "I,I\n1,2\n",
    "no_q": "time,I\n0,1\n1,2\n",
    "wrong_unit": "I (mA),Q (mV)\n1,2\n",
    "words_inside": "1,2,0\n2,over,1e-3\n",
}.items():
    (BAD / f"{name}.csv").write_text(text)

wav("mono", channels=1)
wav("eight_bits", bits=8)
wav("adpcm", tag=2, bits=4, frame=2)
wav("claims_more", data=b"data" + struct.pack("<I", 4000) + b"\0" * 16)
wav("odd_length", samples=b"\0" * 18)
wav("no_samples", samples=b"", data=chunk(b"data", b""))
wav("one_pair", samples=b"\0" * 4)
wav("no_data", data=chunk(b"LIST", b"INFO"))
wav("wrong_frame", frame=6, samples=b"\0" * 24)
wav("nan_inside", tag=3, bits=32, samples=GOOD[:28] + struct.pack("<f", float("nan")))
(BAD / "not_riff.wav").write_bytes(b"OggS" + b"\0" * 40)
(BAD / "notes.txt").write_text("I 0.9 V, Q 0.9 V\n")

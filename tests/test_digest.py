import subprocess
import sys
from dataclasses import dataclass

import numpy as np
import pytest

from bench.defaults import SUITES
from bench.digest import content_digest, key_digest, later
from bench.geometry.camera import Camera
from bench.scene.load import load_bay
from bench.survey.setup import job_of_bay
from bench.verify.suite import load_suite


def test_key_digest_is_blake2b():
    # RFC 7693 defines BLAKE2b; this digest is of 16 bytes, so not the RFC's own 64-byte
    # example; the value was computed with coreutils: printf abc | b2sum -l 128
    assert key_digest("abc") == int("cf4ab791c62b8d2b2109c90275287816", 16)


def test_content_digest_is_the_same_in_a_process_with_another_hash_seed():
    code = (
        "from bench.digest import content_digest as d;"
        "print(d({'b': (1, 2.5), 'a': None, 'c': 'text'}))"
    )
    found = {
        subprocess.run(
            [sys.executable, "-c", code],
            env={"PYTHONHASHSEED": seed, "PATH": ""},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert found == {content_digest({"c": "text", "a": None, "b": (1, 2.5)}) + "\n"}


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (("ab", "c"), ("a", "bc")),
        ((1, (2, 3)), (1, 2, 3)),
        (1.0, 1.0 + 2**-52),
        (np.zeros((2, 3)), np.zeros((3, 2))),
        (np.zeros(2), np.zeros(2, dtype=np.float32)),
        (None, "None"),
        (Camera(10, 10, 5, 5, 4, 4), Camera(10, 10, 5, 5, 4, 4, (1e-9, 0, 0, 0, 0))),
    ],
)
def test_content_digest_tells_apart(one, other):
    assert content_digest(one) != content_digest(other)


def test_content_digest_refuses_what_has_no_stable_content():
    with pytest.raises(TypeError, match="object"):
        content_digest(object())


def test_a_later_field_counts_only_where_it_isn_t_at_its_default():
    @dataclass(frozen=True)
    class Lens:
        blur: float

    before = content_digest(Lens(0.6))

    @dataclass(frozen=True)
    class Lens:  # the same class of a later version
        blur: float
        coma: float = later(0.0)

    assert content_digest(Lens(0.6)) == before
    assert content_digest(Lens(0.6, coma=0.1)) != before


def test_today_s_digests_stay():
    # what maps, baselines and results of users hold: a field that is added to any of these is
    # declared by `later`, else files from before it would be taken for another bay's
    bay = load_bay()
    assert job_of_bay(bay).setting.digests() == {
        "camera": "0d92a8796ae28b2f",
        "imaging": "e8ca144411f85c43",
        "target": "da9ff5740b145a1b",
    }
    assert content_digest(bay.bar) == "7eb46966a236d3d5"
    assert {name: load_suite(name).digest for name in SUITES} == {
        "quick": "b6724ac59e618451",
        "nightly": "3307a5ae518ba7ff",
        "hard": "29c0feb34eeb9e3e",
        "built": "65b2c63532ef09fc",
    }

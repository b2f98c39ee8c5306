"""Bad files one by one, each made here, and the clock of each coding."""

import errno
import json
import os
import struct
import subprocess
import sys
from pathlib import Path

import av
import numpy as np
import pytest
import soundfile

from analysis import decoder, rooms, sound
from analysis.sound import SoundError, read, transcode

RATE = 48_000


def tone(seconds: float, *, rate: int = RATE, hz: float = 236.0, level: float = 0.3) -> np.ndarray:
    time = np.arange(int(seconds * rate)) / rate
    return (level * np.sin(2 * np.pi * hz * time)).astype(np.float32)


def written(path: Path, samples: np.ndarray, rate: int = RATE) -> Path:
    soundfile.write(path, samples, rate)
    return path


def refused(path: Path) -> str:
    """The sentence with which `path` is refused."""
    with pytest.raises(SoundError) as caught:
        read(path)
    sentence = str(caught.value)
    assert "\n" not in sentence
    assert sentence.endswith(".")
    assert "Traceback" not in sentence
    return sentence


def test_a_missing_file_is_named(tmp_path):
    assert "no file" in refused(tmp_path / "nothing.wav")


def test_a_folder_is_no_file(tmp_path):
    assert "folder" in refused(tmp_path)


def test_an_empty_file(tmp_path):
    (tmp_path / "empty.wav").write_bytes(b"")
    assert "empty" in refused(tmp_path / "empty.wav")


@pytest.mark.parametrize(
    "content", [b"just some words, no sound at all " * 50, os.urandom(4096), b"%PDF-1.7\n" + b"x" * 999]
)
def test_what_is_no_sound_file(tmp_path, content):
    (tmp_path / "take.mp3").write_bytes(content)
    sentence = refused(tmp_path / "take.mp3")
    assert "sound" in sentence or "damaged" in sentence


def test_a_picture_is_no_sound(tmp_path):
    png = bytes.fromhex(
        "89504e470d0a1a0a0000000d4948445200000001000000010806000000"
        "1f15c4890000000d49444154789c6360606060000000050001a5f645400000000049454e44ae426082"
    )
    (tmp_path / "take.m4a").write_bytes(png)
    assert "not a sound file" in refused(tmp_path / "take.m4a")


def test_a_video_without_sound(tmp_path):
    path = tmp_path / "silent.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mpeg4", rate=10)
        stream.width = stream.height = 64
        stream.pix_fmt = "yuv420p"
        for _ in range(15):
            frame = av.VideoFrame.from_ndarray(np.zeros((64, 64, 3), dtype=np.uint8), format="rgb24")
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    assert "no sound" in refused(path)


def test_digital_silence(tmp_path):
    assert "silent" in refused(written(tmp_path / "quiet.wav", np.zeros(3 * RATE)))


def test_too_short(tmp_path):
    assert "at least 1 s" in refused(written(tmp_path / "short.wav", tone(0.4)))


def test_longer_than_fifteen_minutes_is_stopped_by_counting(tmp_path):
    path = written(tmp_path / "long.flac", np.zeros(16 * 60 * 8000, dtype=np.int16), 8000)
    assert path.stat().st_size < 2_000_000
    assert "15 minutes" in refused(path)


def test_more_than_two_hundred_megabytes(tmp_path):
    path = tmp_path / "huge.wav"
    with path.open("wb") as file:
        file.truncate(sound.MOST_BYTES + 1)
    assert "200 MB" in refused(path)


@pytest.mark.parametrize("rate", [4000, 384_000])
def test_absurd_sample_rates(tmp_path, rate):
    assert f"{rate} Hz" in refused(written(tmp_path / "odd.wav", tone(2, rate=rate), rate))


def test_too_many_channels(tmp_path):
    assert "12 channels" in refused(written(tmp_path / "many.wav", np.tile(tone(2)[:, None], (1, 12))))


def test_a_file_cut_off_keeps_what_is_there(tmp_path):
    whole = rooms.encode(tone(6), RATE, tmp_path / "whole.mp3").read_bytes()
    (tmp_path / "cut.mp3").write_bytes(whole[: len(whole) // 2])
    assert read(tmp_path / "cut.mp3").duration_s == pytest.approx(3.0, abs=0.2)


def test_an_m4a_cut_off_before_its_index_is_refused(tmp_path):
    whole = rooms.encode(tone(6), RATE, tmp_path / "whole.m4a").read_bytes()
    (tmp_path / "cut.m4a").write_bytes(whole[: len(whole) // 2])
    assert "again" in refused(tmp_path / "cut.m4a") or "not a sound file" in refused(tmp_path / "cut.m4a")


def test_a_header_that_lies_about_its_length(tmp_path):
    path = written(tmp_path / "lie.wav", tone(3))
    content = bytearray(path.read_bytes())
    place = content.index(b"data") + 4
    content[place : place + 4] = struct.pack("<I", 0x7FFF0000)
    content[4:8] = struct.pack("<I", 0x7FFF0024)
    path.write_bytes(content)
    assert read(path).duration_s == pytest.approx(3.0, abs=0.01)


def test_a_playlist_in_disguise_does_not_read_another_file(tmp_path):
    secret = written(tmp_path / "secret.wav", tone(5, hz=300))
    disguised = tmp_path / "take.mp3"
    disguised.write_text(f"ffconcat version 1.0\nfile {secret.name}\n")
    # Without the whitelist the library does open the other file: this is what the whitelist is for.
    with av.open(str(disguised)) as container:
        assert container.format.name == "concat"
        assert next(container.decode(audio=0)).samples > 0
    assert "not a sound file" in refused(disguised)


@pytest.mark.parametrize("content", ["#EXTM3U\n#EXT-X-TARGETDURATION:5\n#EXTINF:5,\nsecret.wav\n#EXT-X-ENDLIST\n"])
def test_a_stream_playlist_is_refused(tmp_path, content):
    written(tmp_path / "secret.wav", tone(5))
    (tmp_path / "take.m3u8").write_text(content)
    assert "not a sound file" in refused(tmp_path / "take.m3u8")


def test_a_decoder_that_dies_is_one_plain_sentence(tmp_path, monkeypatch):
    dying = tmp_path / "dying.py"
    dying.write_text("import os, signal\nos.kill(os.getpid(), signal.SIGSEGV)\n")
    monkeypatch.setattr(sound, "__file__", str(tmp_path / "sound.py"))
    dying.rename(tmp_path / "decoder.py")
    assert "damaged" in refused(written(tmp_path / "fine.wav", tone(2)))


def test_a_decoder_that_hangs_is_stopped(tmp_path, monkeypatch):
    (tmp_path / "decoder.py").write_text("import time\ntime.sleep(60)\n")
    monkeypatch.setattr(sound, "__file__", str(tmp_path / "sound.py"))
    monkeypatch.setattr(sound, "_WALL_S", 0.5)
    assert "too long" in refused(written(tmp_path / "fine.wav", tone(2)))


def test_the_decoder_is_bounded_in_memory(tmp_path):
    order = {"rate_hz": RATE, "most_s": 900, "allowed": {"rate_hz": [8000, 192000], "channels": [1, 8]}}
    order |= {"memory_bytes": 100 * 1024**2, "processor_s": 20, "file_bytes": 10**9}
    path = written(tmp_path / "fine.wav", tone(30))
    command = [sys.executable, "-I", decoder.__file__, str(path), str(tmp_path / "raw"), json.dumps(order)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode != 0 or json.loads(done.stdout).get("refused") == "memory"


def test_too_little_memory_is_not_held_against_the_file(tmp_path, monkeypatch):
    def no_memory(*args, **kwargs):
        raise av.error.MemoryError(errno.ENOMEM, "Cannot allocate memory")

    monkeypatch.setattr(av, "open", no_memory)
    with pytest.raises(MemoryError), (tmp_path / "raw").open("wb") as raw:
        decoder.decode("take.wav", raw, rate_hz=RATE, most_s=900, allowed={})


def test_the_child_sees_no_secrets(monkeypatch):
    monkeypatch.setenv("FINGERWORK_SECRET_KEY", "hidden")
    assert "FINGERWORK_SECRET_KEY" not in sound._kept_environment()


def click_track(rate: int = RATE) -> np.ndarray:
    """Three seconds of quiet tone with a click at exactly 1 s."""
    samples = tone(3.0, rate=rate, level=0.002)
    time = np.arange(int(0.01 * rate)) / rate
    samples[rate : rate + time.size] += (0.8 * np.exp(-time / 0.002) * np.sin(2 * np.pi * 2500 * time)).astype(
        np.float32
    )
    return samples


@pytest.mark.parametrize(
    ("ending", "tolerance_ms"), [(".wav", 0.1), (".flac", 0.1), (".webm", 1.0), (".ogg", 1.0), (".mp3", 1.5)]
)
def test_time_starts_where_an_ordinary_player_starts(tmp_path, ending, tolerance_ms):
    path = rooms.encode(click_track(), RATE, tmp_path / f"click{ending}")
    samples = np.abs(read(path).samples)
    start = int(np.argmax(samples > 0.3 * samples.max()))
    assert start / RATE * 1000.0 == pytest.approx(1000.0, abs=tolerance_ms)


def test_aac_starts_within_its_encoder_delay(tmp_path):
    # Where no edit list says how much the encoder put first, every player starts at the first decoded sample.
    path = rooms.encode(click_track(44_100), 44_100, tmp_path / "click.m4a")
    samples = np.abs(read(path).samples)
    start = int(np.argmax(samples > 0.3 * samples.max())) / RATE
    assert -0.001 < start - 1.0 < 0.047


@pytest.mark.parametrize("ending", [".wav", ".flac", ".mp3", ".m4a", ".webm", ".ogg"])
def test_every_kind_is_read(tmp_path, ending):
    heard = read(rooms.encode(tone(2.5), RATE, tmp_path / f"take{ending}"))
    assert heard.rate_hz == RATE
    assert heard.samples.dtype == np.float32
    assert heard.duration_s == pytest.approx(2.5, abs=0.06)
    assert float(np.sqrt(np.mean(heard.samples[RATE : 2 * RATE] ** 2))) == pytest.approx(0.3 / np.sqrt(2), rel=0.1)


def test_stereo_is_mixed_and_opposite_phase_does_not_cancel(tmp_path):
    left = tone(3)
    both = read(written(tmp_path / "both.wav", np.column_stack([left, left])))
    opposite = read(written(tmp_path / "opposite.wav", np.column_stack([left, -left])))
    dead = read(written(tmp_path / "dead.wav", np.column_stack([left, np.zeros_like(left)])))
    for heard in (both, opposite, dead):
        assert float(np.abs(heard.samples).max()) > 0.25


@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
def test_every_sample_form(tmp_path, subtype):
    soundfile.write(tmp_path / "form.wav", tone(2), RATE, subtype=subtype)
    heard = read(tmp_path / "form.wav")
    assert np.abs(heard.samples - tone(2)).max() < 0.02


def test_resampling_keeps_time(tmp_path):
    heard = read(written(tmp_path / "click.wav", click_track(44_100), 44_100))
    samples = np.abs(heard.samples)
    assert heard.source_rate_hz == 44_100
    assert int(np.argmax(samples > 0.3 * samples.max())) / RATE == pytest.approx(1.0, abs=2e-4)


def test_the_transcode_holds_exactly_what_is_analysed(tmp_path):
    source = rooms.encode(tone(2.5), RATE, tmp_path / "take.webm")
    made = transcode(source, tmp_path / "kept" / "take.flac")
    again = read(tmp_path / "kept" / "take.flac")
    assert np.array_equal(made.samples, again.samples)
    assert made.sha256 != again.sha256
    assert made.sha256 == read(source).sha256
    assert [p.name for p in (tmp_path / "kept").iterdir()] == ["take.flac"]


def test_a_refused_file_leaves_no_transcode(tmp_path):
    with pytest.raises(SoundError):
        transcode(written(tmp_path / "quiet.wav", np.zeros(3 * RATE)), tmp_path / "take.flac")
    assert not (tmp_path / "take.flac").exists()

"""Sources whose sound counts as noise: from the file to the signal-to-noise ratio at each seat."""

from __future__ import annotations

import numpy as np
import pytest
from venues import write_shoebox

from roomsim.errors import DocumentError
from roomsim.scene.compile import compile_scene, with_element_sets
from roomsim.study.evaluator import Evaluator
from roomsim.study.traced_paths import prepare_tracing
from roomsim.venue.reading import read_study

NAMES = ["sound_pressure_level", "signal_to_noise_ratio", "speech_transmission_index", "sound_strength"]
SCENARIOS = [{"name": "stage off", "elements": ["amps off"]}, {"name": "occupied", "elements": ["occupied"]}]


def written(folder, talker_role="main", amp_role="noise", amp_level=70.0):
    sources = [
        {"name": "talker", "position": [1.0, 2.0, 1.5], "level": [70.0] * 8, "role": talker_role},
        {"name": "amp", "position": [1.0, 4.0, 0.5], "level": [amp_level] * 8, "role": amp_role},
    ]
    change = {"name": "amps off", "switch_off": ["amp" if amp_role == "noise" else "talker"]}
    study = read_study(
        write_shoebox(
            folder,
            drape=False,
            absorption=0.3,
            sources=sources,
            elements={"system_change": [change]},
            scenarios=SCENARIOS,
            noise=20.0,
        )
    )
    return study


def figures(folder, **roles):
    study = written(folder, **roles)
    engine = Evaluator(prepare_tracing(compile_scene(study), seed=3, image_order=1, threads=2).trace(1))
    return {name: figure.full for name, figure in engine.evaluate(NAMES).items()}


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    """The same two sources on the same paths, each once as the programme and once as the noise."""
    folder = tmp_path_factory.mktemp("roles")
    return figures(folder / "a"), figures(folder / "b", talker_role="noise", amp_role="main")


def test_noise_is_the_level_that_the_source_would_have(both):
    talker, amp = both
    noise = 10 * np.log10(10**2.0 + 10 ** (amp["sound_pressure_level"] / 10))
    expected = talker["sound_pressure_level"] - noise
    playing = [0, 2]  # bare and occupied
    # Energy is followed for 35 dB: what is extrapolated beyond, 0.03 %, counts in levels and not in noise.
    np.testing.assert_allclose(talker["signal_to_noise_ratio"][:, playing], expected[:, playing], atol=0.01)
    # Seats differ in what they have of it: no one level for all.
    assert np.ptp(talker["signal_to_noise_ratio"][:, 0, 4]) > 0.5


def test_programme_and_strength_know_nothing_of_noise_sources(both):
    talker, amp = both
    for name in ("sound_pressure_level", "sound_strength"):
        assert np.abs(talker[name][:, 0] - talker[name][:, 1]).max() < 1e-4  # on or off: single precision
    assert np.abs(talker["sound_pressure_level"] - amp["sound_pressure_level"]).max() > 0.5


def test_silence_on_stage_is_worth_the_noise_that_it_takes_away(both):
    off = both[0]["signal_to_noise_ratio"][:, 1]
    np.testing.assert_allclose(off, both[0]["sound_pressure_level"][:, 1] - 20.0, atol=1e-9)
    sti = both[0]["speech_transmission_index"]
    assert (sti[:, 1] > sti[:, 0] + 0.1).all()


def test_a_quieter_stage(both, tmp_path):
    quieter = figures(tmp_path / "quiet", amp_level=60.0)
    before, after = both[0]["signal_to_noise_ratio"][:, 0], quieter["signal_to_noise_ratio"][:, 0]
    # 10 dB less from the amplifiers, the steady 20 dB stay: at levels over 50 dB they take 0.01 dB of that.
    np.testing.assert_allclose(after - before, 10.0, atol=0.05)
    assert (quieter["speech_transmission_index"][:, 0] > both[0]["speech_transmission_index"][:, 0]).all()


def test_sets_of_elements_keep_the_noise_sources(tmp_path):
    study = written(tmp_path / "a")
    scene = compile_scene(study)
    sets = [scenario.elements for scenario in study.document.scenarios_in_order()]
    again = with_element_sets(scene, study, sets, scene.noise[0])
    np.testing.assert_array_equal(again.sources.noise_active, scene.sources.noise_active)
    np.testing.assert_array_equal(again.sources.active, [[1, 1, 1], [0, 0, 0]])
    np.testing.assert_array_equal(scene.sources.noise_active, [[0, 0, 0], [1, 0, 1]])


def test_noise_alone_is_no_programme(tmp_path):
    with pytest.raises(DocumentError, match=r'nothing plays in scenario "bare".* every source is noise'):
        written(tmp_path / "a", talker_role="noise")

"""What docs/validation.md lists: each check of the physics, where its expected value comes from, and its test.

Marks state how far the expected value itself was checked:

    found         read in a copy of the standard, table or paper, often a transcription
    derived       worked out for this project from first principles, by other means than the code under test
    from memory   known from the named source, not read again
"""

from __future__ import annotations

from dataclasses import dataclass

FOUND, DERIVED, MEMORY = "found", "derived", "from memory"


@dataclass(frozen=True)
class Check:
    """One line of the page."""

    test: str
    """Path below tests/, two colons, name of the test function."""
    what: str
    source: str
    mark: str


@dataclass(frozen=True)
class Topic:
    """One section of the page."""

    title: str
    remark: str
    checks: tuple[Check, ...]


def topic(title: str, remark: str, *parts: tuple[str, list[tuple[str, str, str, str]]]) -> Topic:
    """A section from (file, [(test without `test_`, what, source, mark), ...])."""
    checks = [
        Check(f"{file}::test_{name}", what, source, mark)
        for file, rows in parts
        for name, what, source, mark in rows
    ]
    return Topic(title, remark, tuple(checks))


TOPICS = (
    topic(
        "Early part: image sources",
        "Direct sound and early specular reflections are computed without random numbers.",
        (
            "analytic/test_image_sources.py",
            [
                (
                    "box_paths_are_the_lattice",
                    "all paths of a box, orders 0 to 3: lengths and losses",
                    "Allen and Berkley, JASA 65 (1979) 943, lattice by an independent implementation",
                    DERIVED,
                ),
                (
                    "printed_case",
                    "energy sums of a box up to orders 0 to 3",
                    "calculated by hand, nine digits",
                    DERIVED,
                ),
                (
                    "swapping_source_and_receiver_changes_nothing",
                    "reciprocity of paths, times, energies",
                    "reciprocity theorem",
                    DERIVED,
                ),
                (
                    "a_solid_screen_hides_the_direct_sound_and_a_cloth_weakens_it",
                    "a screen obstructs sound, cloth transmits its share",
                    "geometry by hand",
                    DERIVED,
                ),
                (
                    "a_cloth_mirrors_on_the_side_of_the_source",
                    "cloth reflects on the source's side",
                    "geometry by hand",
                    DERIVED,
                ),
                (
                    "non_convex_room_against_dense_specular_rays",
                    "visibility around a corner, order 2",
                    "brute force over all mirror sequences",
                    DERIVED,
                ),
            ],
        ),
        (
            "analytic/test_specular_limit.py",
            [
                (
                    "first_twelve_arrivals",
                    "distance, time, order and energy of the first twelve images",
                    "calculated by hand, ten digits",
                    DERIVED,
                ),
                (
                    "number_of_images_of_each_order",
                    "4 n^2 + 2 images of order n in a box",
                    "lattice of the box",
                    DERIVED,
                ),
                (
                    "specular_rays_come_to_the_images_as_they_grow_in_number",
                    "specular rays without image sources give the energy of the lattice; error against number of rays",
                    "sum over the lattice up to order 9",
                    DERIVED,
                ),
            ],
        ),
    ),
    topic(
        "Late part: rays",
        "Statistical: every value has a standard error, and 'allowed' is the largest deviation that is not "
        "significant at the false-alarm rate stated in the test. Tests of laws have a control that must fail.",
        (
            "analytic/test_traced_energy.py",
            [
                (
                    "lossless_closed_room_keeps_its_energy",
                    "lossless room: density W / V, two-sided",
                    "conservation of energy",
                    DERIVED,
                ),
                (
                    "total_energy_of_each_ray_is_kept_to_rounding",
                    "each ray: emitted = remaining + absorbed",
                    "conservation of energy",
                    DERIVED,
                ),
                (
                    "diffuse_sphere_decays_at_its_exact_rate",
                    "sphere with Lambert walls: exact decay",
                    "renewal theory; Carroll and Chien, JASA 62 (1977) 1442 (from memory)",
                    DERIVED,
                ),
                (
                    "control_the_sphere_test_tells_eyring_apart",
                    "control: the sphere test would reject Eyring",
                    "Eyring's formula",
                    DERIVED,
                ),
                (
                    "diffuse_hall_with_drape_on_its_end_walls",
                    "hall H1, Lambert walls: reverberation time",
                    "independent Monte Carlo, 0.5 %",
                    DERIVED,
                ),
                (
                    "specular_hall_with_drape_on_its_end_walls",
                    "hall H1, specular walls: energy up to 1 s",
                    "sum over all lattice images",
                    DERIVED,
                ),
                (
                    "image_order_does_not_change_the_sum",
                    "the sum of image sources and rays does not depend on the image order",
                    "comparison of the two",
                    DERIVED,
                ),
                (
                    "source_and_seat_may_be_swapped",
                    "reciprocity, diffuse and specular",
                    "reciprocity theorem",
                    DERIVED,
                ),
                ("air_takes_its_share", "air attenuates by exp(-m c t)", "closed form", DERIVED),
            ],
        ),
        (
            "analytic/test_seats_near_walls.py",
            [
                (
                    "level_near_the_floor_is_that_of_a_diffuse_room",
                    "level at seats whose spheres would extend through the floor",
                    "level in a diffuse room: Kuttruff, Room Acoustics",
                    MEMORY,
                ),
            ],
        ),
        (
            "analytic/test_diffuse_field.py",
            [
                (
                    "lambert_walls_light_each_other_by_their_view_factors",
                    "first hits of Lambert walls: view factors",
                    "Howell, A Catalog of Radiation Heat Transfer Configuration Factors, C-11 and C-41 (from memory)",
                    DERIVED,
                ),
                (
                    "level_falls_with_distance_as_revised_theory_says",
                    "level against distance in a hall",
                    "Barron and Lee, JASA 84 (1988) 618",
                    MEMORY,
                ),
                (
                    "reflection_scattering_and_transmission_keep_every_ray_whole",
                    "reflection, scattering and transmission conserve the energy of each ray to rounding",
                    "conservation of energy",
                    DERIVED,
                ),
                (
                    "a_lossless_hall_with_cloth_fills_evenly",
                    "lossless hall with cloth: W / V on either side",
                    "conservation of energy",
                    DERIVED,
                ),
                (
                    "source_and_seat_on_either_side_of_cloth_may_be_swapped",
                    "reciprocity through cloth",
                    "reciprocity theorem",
                    DERIVED,
                ),
            ],
        ),
        (
            "statistical/test_sampling.py",
            [
                (
                    "numbers_are_uniform_and_streams_and_neighbours_independent",
                    "random numbers: uniform, independent",
                    "chi-squared and correlation",
                    DERIVED,
                ),
                (
                    "lambert_directions_follow_the_cosine",
                    "Lambert directions follow the cosine law",
                    "moments and quantiles of sin 2t",
                    DERIVED,
                ),
                (
                    "emission_weights_add_up_to_the_radiated_power",
                    "emitted energy is the source's power",
                    "integral of the directivity in closed form",
                    DERIVED,
                ),
                (
                    "emission_directions_are_aimed_and_weighted_by_what_leaves_there",
                    "emission follows the aim of the source",
                    "closed form",
                    DERIVED,
                ),
                (
                    "balloon_directions_left_and_up_are_not_swapped",
                    "orientation of a directivity: left and up",
                    "geometry by hand",
                    DERIVED,
                ),
            ],
        ),
        (
            "analytic/test_late_energy.py",
            [
                (
                    "sums_over_surfaces_are_those_of_the_replay",
                    "the sum of late energy over last surfaces is that of the replay",
                    "comparison of the two",
                    DERIVED,
                ),
                (
                    "sums_are_those_of_the_replay_where_bands_begin_at_different_times",
                    "the same, with a subwoofer that arrives first in its bands",
                    "comparison of the two",
                    DERIVED,
                ),
                (
                    "last_surface_of_every_segment_as_a_loop_finds_it",
                    "the last surface, path by path",
                    "a simple loop",
                    DERIVED,
                ),
                (
                    "last_surface_of_a_branch_is_that_of_the_way_it_came",
                    "the last surface, where paths branch",
                    "by hand",
                    DERIVED,
                ),
                (
                    "only_the_wall_that_reflects_is_to_blame",
                    "one reflecting wall: all late energy comes from it",
                    "room with a known result",
                    DERIVED,
                ),
                (
                    "even_room_blames_surfaces_by_their_area",
                    "diffuse room with uniform absorption: late energy by area",
                    "diffuse field",
                    DERIVED,
                ),
                (
                    "absent_cloth_is_to_blame_for_nothing_and_hung_cloth_for_something",
                    "cloth contributes only in scenarios that contain it",
                    "room with a known result",
                    DERIVED,
                ),
                (
                    "control_another_time_gives_other_sums",
                    "control: a different time gives different sums",
                    "comparison of the two",
                    DERIVED,
                ),
                (
                    "more_absorption_anywhere_never_raises_late_energy",
                    "more absorption on any surface never increases late energy",
                    "monotonicity, same paths",
                    DERIVED,
                ),
            ],
        ),
        (
            "analytic/test_energy_deposition.py",
            [
                (
                    "middle_of_a_cube_sends_a_sixth_to_each_face",
                    "first hits from the centre of a cube",
                    "symmetry",
                    DERIVED,
                ),
                (
                    "any_point_of_a_box_sees_solid_angles",
                    "first hits from any point: solid angles",
                    "closed form",
                    DERIVED,
                ),
                (
                    "view_factors_of_a_unit_cube",
                    "second hits: view factors of a cube",
                    "Howell's catalogue, C-11 and C-14 (from memory)",
                    DERIVED,
                ),
                (
                    "parts_of_a_room",
                    "the shares of energy deposition over the parts of a room add up to 1",
                    "conservation of energy",
                    DERIVED,
                ),
                (
                    "free_cloth_takes_what_it_does_not_let_through",
                    "energy deposition on free-hanging cloth",
                    "closed form",
                    DERIVED,
                ),
            ],
        ),
    ),
    topic(
        "Rooms that no single reverberation time describes",
        "The hall H1, 30 x 20 x 8 m with drapes on its two end walls: 1.84 s if the walls scatter all "
        "reflected sound, 6.7 s (T30) if they reflect specularly, while formulas give 1.5 to 3.3 s. The "
        "program computes both from its files, and states why they differ.",
        (
            "analytic/test_uneven_absorption.py",
            [
                (
                    "view_factors_are_those_of_the_catalogue",
                    "reference: view factors in closed form",
                    "Howell's catalogue, C-11 and C-41 (from memory)",
                    DERIVED,
                ),
                (
                    "decay_of_diffuse_boxes_by_eigenvalues_is_that_by_chance",
                    "reference: Lambert boxes by eigenvalues",
                    "independent Monte Carlo, 0.5 %",
                    DERIVED,
                ),
                (
                    "decay_of_mirror_boxes_by_directions_is_that_by_counting_hits",
                    "reference: specular boxes by directions",
                    "independent Monte Carlo, 0.5 %",
                    DERIVED,
                ),
                (
                    "all_absorption_on_the_floor_of_a_diffuse_cube",
                    "all absorption on one face, Lambert walls",
                    "eigenvalue of the integral equation (Kuttruff, from memory)",
                    DERIVED,
                ),
                (
                    "with_scattering_walls_the_program_finds_the_diffuse_decay",
                    "H1 from files to T20 and T30, fully scattering walls",
                    "eigenvalue of the integral equation",
                    DERIVED,
                ),
                (
                    "with_mirror_walls_the_program_finds_the_specular_decay",
                    "H1 from files to T20 and T30, specular walls",
                    "sum over all images, seat by seat",
                    DERIVED,
                ),
                (
                    "no_formula_knows_both",
                    "known failure of the formulas: none is within a fifth of both",
                    "six formulas calculated by hand",
                    DERIVED,
                ),
                (
                    "the_program_says_why_they_differ",
                    "the program states why they differ",
                    "requirement on the program",
                    DERIVED,
                ),
            ],
        ),
        (
            "analytic/test_flat_and_long_rooms.py",
            [
                (
                    "sums_over_mirrors_have_their_closed_form",
                    "reference: sums over specular planes",
                    "(pi / r h) coth(pi r / h), Mittag-Leffler",
                    DERIVED,
                ),
                ("mirror_planes", "steady level between specular planes", "sum over images", DERIVED),
                (
                    "diffuse_planes",
                    "steady level between Lambert planes",
                    "Hankel transform of the integral equation; Kuttruff, flat rooms (from memory)",
                    DERIVED,
                ),
                ("mirror_corridor", "level along a corridor", "double sum over images", DERIVED),
                (
                    "decay_of_flat_and_long_diffuse_rooms",
                    "decay of flat and long Lambert rooms",
                    "eigenvalue of the integral equation",
                    DERIVED,
                ),
            ],
        ),
        (
            "analytic/test_coupled_rooms.py",
            [
                (
                    "the_slow_decay_is_that_of_both_rooms",
                    "two rooms in a mesh: the slow decay",
                    "Cremer and Mueller, vol. 1, II.3 (from memory), solved as an eigenvalue problem",
                    DERIVED,
                ),
                (
                    "energies_in_both_rooms_follow_the_two_decays",
                    "energies in both rooms over 2 s",
                    "the same balance; 0.5 dB for effects that it does not include",
                    DERIVED,
                ),
                (
                    "the_two_slopes_are_told_apart",
                    "the two slopes and the time from which the slower one dominates",
                    "the same balance",
                    DERIVED,
                ),
                (
                    "a_run_finds_the_two_decays_of_all_seats_together",
                    "the two slopes reported by a run",
                    "the same balance",
                    DERIVED,
                ),
                (
                    "a_live_room_behind_an_opening_is_followed_long_enough",
                    "a reverberant room behind an opening: T20 and T30, where formulas give a tenth",
                    "the same balance with the dry room as open air",
                    DERIVED,
                ),
            ],
        ),
        (
            "analytic/test_decay_slopes.py",
            [
                (
                    "coupled_rooms",
                    "two slopes found in a coupled decay",
                    "matrix exponential by scipy",
                    DERIVED,
                ),
                (
                    "two_exponentials_are_found_in_a_response",
                    "two slopes of a response, with and without a tail",
                    "closed form",
                    DERIVED,
                ),
                ("straight_decay_has_one_time", "a straight decay has one slope", "closed form", DERIVED),
            ],
        ),
    ),
    topic(
        "Room parameters of ISO 3382",
        "",
        (
            "analytic/test_decay.py",
            [
                (
                    "pure_exponential_has_its_reverberation_time",
                    "EDT, T20, T30 of an exponential",
                    "closed form",
                    DERIVED,
                ),
                (
                    "energy_parameters_of_an_exponential",
                    "C50, C80, D50, Ts of an exponential",
                    "ISO 3382-1:2009, A.2.3, calculated by hand",
                    DERIVED,
                ),
                (
                    "truncated_decay_without_compensation_is_too_steep",
                    "effect of truncation on a regression",
                    "independent dense regression",
                    DERIVED,
                ),
                (
                    "compensated_decay_is_right_or_not_evaluated",
                    "truncation is compensated, or no value is given",
                    "ISO 3382-1:2009, 5.3.3",
                    MEMORY,
                ),
                (
                    "double_slope",
                    "EDT, T20, T30, C80 of double slopes",
                    "independent dense regression",
                    DERIVED,
                ),
                (
                    "direct_sound_and_tail",
                    "direct-to-reverberant ratio and modulation",
                    "Schroeder, Acustica 49 (1981) 179 (from memory)",
                    DERIVED,
                ),
                (
                    "two_equal_pulses_make_a_comb",
                    "modulation of two pulses: |cos(pi F tau)|",
                    "closed form",
                    DERIVED,
                ),
                ("decay_that_does_not_fall_gives_no_figure", "no value without a decay", "definition", DERIVED),
                (
                    "noise_far_down_costs_no_figure",
                    "noise far below the signal has no effect",
                    "bound by hand",
                    DERIVED,
                ),
                (
                    "kernel_agrees_with_sampling_on_rough_decays",
                    "rough decays: curve, regression, modulation",
                    "dense sampling",
                    DERIVED,
                ),
                (
                    "the_bins_of_tracing_cost_no_more_than_a_ten_thousandth_of_an_index",
                    "cost of time bins in the index",
                    "closed form",
                    DERIVED,
                ),
            ],
        ),
        (
            "analytic/test_bands_that_start_apart.py",
            [
                (
                    "early_and_late_are_counted_from_the_start_of_each_band",
                    "definition, clarity and centre time where bands start 0.2 s apart",
                    "integrals by hand",
                    DERIVED,
                ),
            ],
        ),
        (
            "analytic/test_time_zero.py",
            [
                (
                    "an_arrival_counts_as_the_first_from_20_db_below_the_strongest_on",
                    "time zero: first arrival within 20 dB of the strongest",
                    "ISO 3382-1:2009, 5.3.2",
                    MEMORY,
                ),
                (
                    "the_limit_of_early_energy_is_exact_for_known_arrivals",
                    "C50 and centre time of four arrivals, time zero within a bin",
                    "calculated by hand",
                    DERIVED,
                ),
                (
                    "nothing_depends_on_when_the_bins_begin_and_speech_never_on_time_zero",
                    "no quantity depends on the start of the time bins",
                    "shift of the time axis",
                    DERIVED,
                ),
                (
                    "a_sub_that_plays_nothing_in_a_band_moves_no_figure_there",
                    "a subwoofer affects no quantity in bands that it does not radiate",
                    "the same hall without it",
                    DERIVED,
                ),
                (
                    "a_fill_far_below_the_main_moves_nothing",
                    "a fill 45 dB below the main does not affect clarity",
                    "the same hall without it",
                    DERIVED,
                ),
                (
                    "a_seat_without_line_of_sight_has_its_time_zero_at_its_first_reflection",
                    "time zero behind a screen",
                    "path via the ceiling, calculated by hand",
                    DERIVED,
                ),
                (
                    "direct_sound_before_a_tail_leaves_its_decay_time_alone",
                    "EDT, T20, T30 of direct sound and a straight decay, -10 to 9.5 dB",
                    "closed form: the slope of the decay",
                    DERIVED,
                ),
                (
                    "image_arrivals_make_steps_where_they_are",
                    "EDT, T20, T30 of six arrivals in a decay, -10 to 6 dB",
                    "least squares by adaptive integrals (scipy)",
                    DERIVED,
                ),
                (
                    "many_weak_arrivals_need_no_step_of_their_own",
                    "EDT, T20, T30 of sixty weak arrivals in a decay",
                    "dense sampling",
                    DERIVED,
                ),
            ],
        ),
        (
            "standards/test_iso3382.py",
            [
                (
                    "strength_of_direct_sound",
                    "G of the direct sound: -20 lg(r / 10 m)",
                    "ISO 3382-1:2009, A.2.1",
                    MEMORY,
                ),
                (
                    "clarity_and_definition_say_the_same",
                    "C50 from D50",
                    "ISO 3382-1:2009, Equation (A.12)",
                    MEMORY,
                ),
                (
                    "revised_theory",
                    "G and C80 by revised theory",
                    "Barron and Lee, JASA 84 (1988) 618",
                    MEMORY,
                ),
                (
                    "statistical_level_without_travel_is_the_classical_one",
                    "level in a diffuse room",
                    "Hopkins and Stryker, Proc. IRE 36 (1948) 315",
                    MEMORY,
                ),
                (
                    "just_noticeable_differences",
                    "just noticeable differences",
                    "ISO 3382-1:2009, Table A.1; Bradley et al., JASA 106 (1999) 1820",
                    MEMORY,
                ),
                ("curvature_is_the_excess_of_t30", "curvature", "ISO 3382-2:2008, Annex B", MEMORY),
                (
                    "a_decay_counts_as_bent_only_beyond_doubt",
                    "a decay is called bent only if this is significant",
                    "definition",
                    DERIVED,
                ),
                (
                    "non_linearity_of_a_parabola",
                    "non-linearity of a parabola",
                    "ISO 3382-2:2008, Annex B, calculated by hand",
                    DERIVED,
                ),
            ],
        ),
    ),
    topic(
        "Speech transmission index, IEC 60268-16",
        "",
        (
            "standards/test_iec60268_16.py",
            [
                (
                    "modulation_frequencies_are_those_of_the_table",
                    "modulation frequencies",
                    "IEC 60268-16, Annex A",
                    FOUND,
                ),
                (
                    "annex_m_masking_and_factor",
                    "worked example: masking and reduction",
                    "IEC 60268-16, Annex M",
                    FOUND,
                ),
                (
                    "annex_m_indices",
                    "worked example: indices of bands and the index",
                    "IEC 60268-16, Annex M",
                    FOUND,
                ),
                (
                    "annex_m_notices_what_is_left_out",
                    "control: the example fails if a step is left out",
                    "IEC 60268-16, Annex M",
                    FOUND,
                ),
                (
                    "annex_m_through_the_whole_chain",
                    "worked example through the complete evaluation of the program",
                    "IEC 60268-16, Annex M",
                    FOUND,
                ),
                ("weights_of_pairs", "verification: weights and redundancies", "IEC 60268-16, A.2.2", FOUND),
                ("uniform_modulation", "verification: uniform modulation", "IEC 60268-16, A.3.1.2", FOUND),
                ("masking_at_the_printed_levels", "masking", "IEC 60268-16:2020, Table A.2", FOUND),
                ("masking_has_no_gaps", "masking is continuous", "definition", DERIVED),
                ("signal_to_noise_alone", "index of noise alone", "closed form", DERIVED),
                (
                    "exponential_decay",
                    "index of a pure decay",
                    "closed form, Houtgast and Steeneken (from memory)",
                    DERIVED,
                ),
                ("exponential_decay_in_noise", "index of decay and noise", "closed form", DERIVED),
                (
                    "too_soft_and_too_loud_speech",
                    "threshold and masking: levels too low and too high",
                    "independent calculation from Annex A",
                    DERIVED,
                ),
                (
                    "spectrum_is_given_re_its_a_weighted_level",
                    "male spectrum re its A-weighted level",
                    "IEC 61672-1:2013, Table 3",
                    MEMORY,
                ),
                ("articulation_loss", "articulation loss from the index", "Farrel Becker's fit", MEMORY),
            ],
        ),
        (
            "standards/test_printed_values.py",
            [
                (
                    "speech_at_the_reception_threshold_loses_half_its_modulation",
                    "absolute reception threshold of each octave",
                    "IEC 60268-16, Annex A",
                    MEMORY,
                ),
                (
                    "masking_bends_where_the_standard_says",
                    "slopes of masking by the next lower octave",
                    "IEC 60268-16, Annex A",
                    MEMORY,
                ),
                (
                    "index_is_one_at_most",
                    "sum of weights and redundancy; the index ends at 1",
                    "IEC 60268-16, Annex A",
                    MEMORY,
                ),
                (
                    "letters_begin_at_the_printed_edges",
                    "limits of the rating letters",
                    "IEC 60268-16:2020, Annex F",
                    MEMORY,
                ),
            ],
        ),
        (
            "standards/test_iec60268_16_signal.py",
            [
                (
                    "direct_computation_agrees_with_the_demodulated_signal",
                    "modulated noise through a response, demodulated",
                    "signal chain by SciPy",
                    DERIVED,
                ),
                (
                    "the_chain_would_notice_another_decay",
                    "control: the signal chain distinguishes a different decay",
                    "signal chain by SciPy",
                    DERIVED,
                ),
            ],
        ),
    ),
    topic(
        "Statistical estimates",
        "",
        (
            "analytic/test_reverberation.py",
            [
                (
                    "worked_hall",
                    "six formulas for hall H1",
                    "calculated by hand and by another library",
                    DERIVED,
                ),
                ("even_absorption_leaves_one_answer", "uniform absorption: formulas agree", "identity", DERIVED),
                ("limits", "limits of small and total absorption", "closed form", DERIVED),
                (
                    "sphere_has_an_exact_decay",
                    "Kuttruff's formula against the exact sphere",
                    "renewal theory",
                    DERIVED,
                ),
                (
                    "kuttruff_meets_a_diffuse_hall",
                    "Kuttruff's formula against a Lambert hall",
                    "independent Monte Carlo",
                    DERIVED,
                ),
                (
                    "a_free_sheet_counts_with_both_faces_where_it_hangs",
                    "both faces of free-hanging cloth absorb",
                    "by hand",
                    DERIVED,
                ),
                ("facing_any_way", "surfaces of any orientation", "by hand", DERIVED),
                (
                    "schroeder_frequency",
                    "Schroeder frequency",
                    "Schroeder and Kuttruff, JASA 34 (1962) 76",
                    MEMORY,
                ),
                (
                    "a_plain_hall_breaks_nothing",
                    "no warning for an ordinary hall",
                    "requirement on the program",
                    DERIVED,
                ),
                (
                    "each_broken_assumption_has_its_code_bands_and_values",
                    "a sentence for each broken assumption",
                    "requirement on the program",
                    DERIVED,
                ),
            ],
        ),
        (
            "analytic/test_two_sided.py",
            [
                (
                    "formulas_count_a_screen_with_both_sides",
                    "Sabine's and Eyring's times with a screen in the room",
                    "areas of both sides by hand",
                    DERIVED,
                ),
                (
                    "rays_meet_a_screen_on_both_sides",
                    "traced time with the screen, all surfaces scattering",
                    "Eyring, within a tenth",
                    DERIVED,
                ),
            ],
        ),
        (
            "analytic/test_reverberation_distance.py",
            [
                ("critical_distance", "critical distance", "calculated by hand", DERIVED),
                ("revised_theory", "revised theory", "Barron and Lee, JASA 84 (1988) 618", MEMORY),
                (
                    "revised_theory_is_the_decay_from_the_direct_sound_on",
                    "revised theory from its integral",
                    "numerical integration",
                    DERIVED,
                ),
                ("peutz", "articulation loss of Peutz", "Peutz, JAES 19 (1971) 915", MEMORY),
                ("articulation_loss_and_sti", "articulation loss and index", "Farrel Becker's fit", MEMORY),
            ],
        ),
    ),
    topic(
        "Air and levels",
        "",
        (
            "standards/test_air.py",
            [
                ("printed_table", "attenuation of air", "ISO 9613-2:1996, Table 2", MEMORY),
                (
                    "small_values_relatively",
                    "attenuation of air, small values",
                    "an independent second implementation",
                    DERIVED,
                ),
                (
                    "the_tables_tell_wrong_air_and_wrong_frequencies",
                    "control: the tables exclude wrong atmospheric conditions",
                    "ISO 9613-2:1996, Table 2",
                    MEMORY,
                ),
                ("intermediates", "saturation pressure", "steam tables IAPWS-IF97", MEMORY),
                ("laws", "dependence on frequency", "ISO 9613-1:1993", FOUND),
                ("speed_and_density", "speed of sound and density", "CRC Handbook; ISO 2533", MEMORY),
            ],
        ),
        (
            "standards/test_printed_values.py",
            [
                (
                    "air_is_worked_out_as_far_as_the_standard_goes",
                    "range of frequency over pressure",
                    "ISO 9613-1:1993, clause 1",
                    MEMORY,
                ),
                (
                    "nc_curve_is_the_printed_one",
                    "all octaves of NC-15 to NC-70",
                    "ANSI/ASA S12.2, table of NC curves",
                    MEMORY,
                ),
                (
                    "exposure_limits_are_those_of_the_law",
                    "limits of exposure and their times",
                    "Directive 2003/10/EC, DIN 15905-5, decree 2017-1244, WHO 2022, FoHMFS 2014:15",
                    MEMORY,
                ),
            ],
        ),
        (
            "standards/test_levels.py",
            [
                ("a_weighting_table", "A-weighting", "IEC 61672-1:2013, Table 3", MEMORY),
                ("octaves_are_in_the_table", "A-weighting of octaves", "IEC 61672-1:2013, Table 3", MEMORY),
                ("level_and_energy", "levels and energies", "closed form", DERIVED),
                (
                    "speech_spectrum_of_iec_60268_16",
                    "level of the speech spectrum",
                    "IEC 60268-16, Annex M",
                    FOUND,
                ),
                ("single_band_counts_with_its_weighting", "one band", "IEC 61672-1:2013, Table 3", MEMORY),
            ],
        ),
        (
            "standards/test_iso3382.py",
            [("a_weighted_level", "A-weighted level of bands", "IEC 61672-1:2013, Table 3", MEMORY)],
        ),
        (
            "standards/test_noise_curves.py",
            [
                ("nr_curve_is_the_printed_one", "NR curves", "ISO 1996:1971 / BS 8233", MEMORY),
                ("nr_is_the_level_at_1_khz", "NR is the level at 1 kHz", "definition", MEMORY),
                (
                    "rating_of_a_noise_is_the_curve_that_it_touches",
                    "rating of a noise",
                    "definition",
                    DERIVED,
                ),
                (
                    "whole_rating_of_each_curve_is_its_own",
                    "NR as quoted: every whole curve and a tenth of a decibel around it",
                    "definition",
                    DERIVED,
                ),
                ("nc_curves", "NC curves", "Beranek; ANSI/ASA S12.2", MEMORY),
            ],
        ),
    ),
    topic(
        "Materials and drape",
        "",
        (
            "standards/test_absorption.py",
            [
                (
                    "handbook_curtains",
                    "curtains at several gaps and fullness",
                    "handbook tables (data/curtains_handbook.csv)",
                    FOUND,
                ),
                ("fullness_is_what_the_handbook_says", "the law for fullness", "handbook tables", FOUND),
                (
                    "rows_by_the_formula_and_by_the_other_rows",
                    "each handbook row by the formula and by the other rows of the cloth",
                    "handbook tables",
                    FOUND,
                ),
                (
                    "uncertainty_of_the_formula_is_its_residual_from_pleats",
                    "uncertainty of the formula for cloth",
                    "handbook tables",
                    FOUND,
                ),
                (
                    "rows_against_another_handbook",
                    "built-in materials against a second handbook",
                    "Kuttruff, Room Acoustics, Table 9.1",
                    MEMORY,
                ),
                ("surfaces_are_in_order", "order of built-in surfaces", "common practice", MEMORY),
                ("fabrics_are_in_order", "order of built-in fabrics", "common practice", MEMORY),
                ("measured_rows_are_the_table", "measured rows of fabrics", "handbook tables", FOUND),
            ],
        ),
        (
            "analytic/test_baffles.py",
            [
                (
                    "layer_absorbs_and_reflects_what_single_rays_lose_between_two_baffles",
                    "rows of baffles absorb and reflect",
                    "single rays followed between two baffles",
                    DERIVED,
                ),
                (
                    "baffles_far_apart_absorb_with_both_faces_and_both_edges",
                    "baffles far apart, and with decreasing spacing",
                    "ISO 12354-6, objects (from memory)",
                    DERIVED,
                ),
                (
                    "layer_absorbs_as_all_baffles_together",
                    "a layer of baffles is the sum of its objects",
                    "ISO 12354-6, objects (from memory)",
                    DERIVED,
                ),
            ],
        ),
        (
            "analytic/test_drape.py",
            [
                (
                    "one_flat_layer_on_a_wall",
                    "one layer in front of a wall",
                    "slow independent implementation, another quadrature",
                    DERIVED,
                ),
                ("two_layers_on_a_wall", "two layers in front of a wall", "slow independent implementation", DERIVED),
                ("free_sheets", "free sheets", "slow independent implementation", DERIVED),
                (
                    "two_layers_sewn_together_are_one_of_twice_the_impedance",
                    "two layers are one of twice the impedance",
                    "identity",
                    DERIVED,
                ),
                ("quadrature_has_converged", "the quadrature has converged", "finer quadrature", DERIVED),
                ("free_immobile_sheet", "free-hanging resistive sheet, diffuse field", "closed form, derived", DERIVED),
                ("tone_on_a_wall_by_the_slow_twin", "single tones in front of a wall", "worked table", DERIVED),
                ("cloth_that_is_not_there", "limit r -> 0", "closed form", DERIVED),
                (
                    "airtight_sheet_follows_the_mass_law",
                    "limit r -> infinity: mass law",
                    "closed form",
                    DERIVED,
                ),
                (
                    "airtight_cloth_absorbs_nothing",
                    "airtight cloth absorbs nothing",
                    "conservation of energy",
                    DERIVED,
                ),
                (
                    "energy_is_conserved",
                    "reflected + transmitted + absorbed = 1",
                    "conservation of energy",
                    DERIVED,
                ),
                (
                    "a_free_sheet_takes_half_at_most_at_normal_incidence",
                    "a free-hanging sheet absorbs half at most",
                    "closed form",
                    DERIVED,
                ),
                (
                    "bass_needs_a_large_gap",
                    "a drape has little effect at low frequencies",
                    "quarter wavelength",
                    DERIVED,
                ),
                ("layers_and_wall_add", "absorption of layers and wall combined", "by hand", DERIVED),
                (
                    "absorption_changes_smoothly_with_stand_off",
                    "absorption of every fabric, 20 mm to 1 m in steps of 8 %",
                    "slopes of formula and correction",
                    DERIVED,
                ),
                (
                    "absorption_changes_smoothly_with_fullness",
                    "absorption of every fabric, fullness 1 to 3",
                    "slopes between handbook rows",
                    DERIVED,
                ),
                (
                    "rows_are_met_where_they_were_measured",
                    "rows of fabrics in the measured configuration",
                    "handbook tables",
                    FOUND,
                ),
                (
                    "a_velour_a_little_farther_off_absorbs_like_its_row",
                    "velour in pleats at 50 to 150 mm, 1 kHz up",
                    "handbook tables",
                    FOUND,
                ),
                ("a_correction_fades_with_distance", "range of the correction by a row", "by hand", DERIVED),
                (
                    "uncertainty_is_the_rows_near_them_and_the_formulas_far_away",
                    "uncertainty of cloth near rows and far from them",
                    "by hand",
                    DERIVED,
                ),
                ("pleats", "pleats", "by hand", DERIVED),
            ],
        ),
        (
            "standards/test_printed_values.py",
            [
                (
                    "absorption_classes_begin_at_the_printed_ratings",
                    "rating and class of equal absorption in all bands",
                    "ISO 11654:1997, Annex B",
                    MEMORY,
                ),
            ],
        ),
        (
            "standards/test_weighted_absorption.py",
            [
                (
                    "rating",
                    "weighted absorption, worked examples",
                    "ISO 11654:1997 (curve from memory), by hand",
                    MEMORY,
                ),
                (
                    "one_step_less_absorption_is_one_step_less_rating",
                    "one step of absorption is one step of the rating",
                    "identity",
                    DERIVED,
                ),
            ],
        ),
    ),
    topic(
        "Loudspeaker systems: complex sums",
        "",
        (
            "standards/test_printed_values.py",
            [
                (
                    "between_the_planes_of_two_polars_half_of_each_counts",
                    "levels at 45 degrees between two polars, each side",
                    "straight lines by hand",
                    DERIVED,
                ),
            ],
        ),
        (
            "analytic/test_system_field.py",
            [
                (
                    "eight_points_have_their_nulls_where_the_closed_form_has",
                    "nulls of an array of eight",
                    "Kinsler and Frey, ch. 7 (from memory)",
                    DERIVED,
                ),
                (
                    "near_field_of_a_line_on_its_axis",
                    "near field of a line",
                    "Beranek and Mellow, ch. 4 (from memory)",
                    DERIVED,
                ),
                ("a_hang_of_slots_is_a_continuous_line", "a hang of slots is a line", "closed form", DERIVED),
                (
                    "an_octave_of_a_long_hang_has_lines_enough",
                    "octaves of hangs of 12 to 24 boxes, near and far",
                    "sum over 2000 lines",
                    DERIVED,
                ),
                (
                    "short_systems_need_no_more_lines_and_bass_is_shared",
                    "number of frequencies for short and long systems",
                    "by hand",
                    DERIVED,
                ),
                (
                    "power_of_the_balloon_is_that_of_mutual_radiation",
                    "power of several points",
                    "mutual radiation, Beranek and Mellow, ch. 4 (from memory)",
                    DERIVED,
                ),
                (
                    "power_through_a_distant_sphere_is_that_of_the_balloon",
                    "power through a distant sphere",
                    "conservation of energy",
                    DERIVED,
                ),
                (
                    "far_away_both_sums_are_one",
                    "at a large distance the near-field sum equals the far-field sum",
                    "limit",
                    DERIVED,
                ),
                ("comb_of_a_floor", "comb of a floor reflection", "closed form", DERIVED),
                (
                    "floor_raises_the_power_of_a_point",
                    "power of a point over a floor",
                    "Waterhouse, JASA 27 (1955) 247 (from memory)",
                    DERIVED,
                ),
                (
                    "swapping_source_and_ear_changes_nothing_between_floor_and_wall",
                    "reciprocity",
                    "Rayleigh, Theory of Sound, 294 (from memory)",
                    DERIVED,
                ),
                (
                    "a_corner_gives_four_times_the_pressure_on_two_planes",
                    "pressure in a corner",
                    "images",
                    DERIVED,
                ),
                ("gain_polarity_and_delay_of_single_boxes", "gain, polarity, delay", "closed form", DERIVED),
                ("patterns_are_read_on_their_own_axes", "patterns on their own axes", "geometry", DERIVED),
            ],
        ),
        (
            "analytic/test_system_subs.py",
            [
                (
                    "gradient_pair_closed_form",
                    "gradient pair",
                    "Kinsler and Frey, ch. 7 (from memory)",
                    DERIVED,
                ),
                (
                    "gradient_pair_with_an_error_of_1_db",
                    "gradient pair with a gain error",
                    "worked table",
                    DERIVED,
                ),
                ("computed_table_of_directional_subs", "directional subs", "worked table", DERIVED),
                (
                    "end_fire_is_a_line_whose_boxes_agree_in_front_alone",
                    "end-fire line",
                    "Kinsler and Frey, ch. 7 (from memory)",
                    DERIVED,
                ),
                (
                    "rejection_of_a_cardioid_is_that_of_its_pattern",
                    "rejection of a cardioid",
                    "closed form",
                    DERIVED,
                ),
                (
                    "left_and_right_make_an_alley_and_nulls",
                    "left and right subs: alley and nulls",
                    "closed form",
                    DERIVED,
                ),
                ("row_on_an_arc", "row of subs on an arc", "closed form", DERIVED),
            ],
        ),
    ),
    topic(
        "Errors, scenarios and uncertainty of the input",
        "Intervals printed with ± must contain the true value as often as stated, and comparisons must be "
        "fair.",
        (
            "statistical/test_estimate_coverage.py",
            [
                (
                    "statistics_over_seats",
                    "intervals of statistics over seats contain the true value",
                    "binomial",
                    DERIVED,
                ),
                (
                    "the_plain_jackknife_does_not_do_for_steps",
                    "control: those of the plain jackknife do not",
                    "binomial",
                    DERIVED,
                ),
                ("differences_of_statistics_over_seats", "intervals of differences", "binomial", DERIVED),
                ("figures_at_a_seat", "intervals at a seat", "binomial", DERIVED),
                (
                    "few_rays_lift_the_index_by_little_of_its_error",
                    "bias of few rays is a small part of the error",
                    "synthetic responses",
                    DERIVED,
                ),
            ],
        ),
        (
            "statistical/test_coverage.py",
            [
                (
                    "intervals_cover_the_long_run",
                    "intervals of whole runs contain the result of a far longer run",
                    "binomial",
                    DERIVED,
                ),
                (
                    "runs_scatter_about_the_long_run_by_what_they_say",
                    "runs scatter by their standard errors",
                    "chi-squared",
                    DERIVED,
                ),
            ],
        ),
        (
            "statistical/test_bands.py",
            [
                (
                    "energy_over_time_is_that_of_a_plain_tracer",
                    "energy over time in eight bands, soft hall and panelled hall",
                    "rays without roulette, one band at a time, by an independent implementation",
                    DERIVED,
                ),
                (
                    "every_band_of_a_lambert_sphere_decays_at_its_own_rate",
                    "decay of a Lambert sphere, absorption 0.04 to 0.4 by band",
                    "renewal of chords; Kuttruff, Room Acoustics",
                    MEMORY,
                ),
                (
                    "intervals_cover_in_every_band",
                    "intervals contain the true value in every band where bands decay at very different rates",
                    "binomial",
                    DERIVED,
                ),
            ],
        ),
        (
            "statistical/test_second_tracer.py",
            [
                (
                    "soft_hall_is_as_the_slow_tracer_has_it_in_every_band",
                    "a soft hall in all bands: energy in windows, level, C50, EDT, T20, STI",
                    "independent tracer and evaluation, no shared code",
                    DERIVED,
                ),
                (
                    "slow_tracer_finds_a_curtain_that_absorbs_too_much",
                    "control: a curtain that absorbs 0.1 too much in two bands is detected",
                    "independent tracer, no shared code",
                    DERIVED,
                ),
            ],
        ),
        (
            "statistical/test_scenarios.py",
            [
                (
                    "every_scenario_agrees_with_tracing_it_alone",
                    "many scenarios from one trace = each traced alone",
                    "comparison of the two",
                    DERIVED,
                ),
                (
                    "control_weights_of_the_wrong_density_are_noticed",
                    "control: wrong weights are detected",
                    "comparison of the two",
                    DERIVED,
                ),
                (
                    "control_shares_that_branches_do_not_have_are_noticed",
                    "control: wrong shares of branches are detected",
                    "comparison of the two",
                    DERIVED,
                ),
                (
                    "cloth_that_hangs_elsewhere_leaves_the_bare_hall_its_paths",
                    "branches through cloth = paths of the hall without it",
                    "comparison of the two",
                    DERIVED,
                ),
                (
                    "a_ray_with_too_many_branches_goes_one_way_or_the_other",
                    "memory for one branch at a time = each scenario traced alone",
                    "comparison of the two",
                    DERIVED,
                ),
                (
                    "a_scenario_that_changes_nothing_differs_by_exactly_nothing",
                    "no difference without a change",
                    "identity",
                    DERIVED,
                ),
                (
                    "differences_share_their_noise",
                    "differences have smaller errors than values",
                    "comparison of the two",
                    DERIVED,
                ),
                (
                    "error_falls_with_the_root_of_the_rays",
                    "the error decreases with the square root of the number of rays",
                    "law of large numbers",
                    DERIVED,
                ),
            ],
        ),
        (
            "unit/test_uncertainty.py",
            [
                (
                    "draws_keep_the_mean_and_have_the_spread_asked_for",
                    "drawn absorption: mean and spread",
                    "beta law by its moments",
                    DERIVED,
                ),
                (
                    "bands_of_one_material_move_together_and_materials_apart",
                    "drawn absorption: correlation",
                    "normal copula",
                    DERIVED,
                ),
                (
                    "every_draw_conserves_energy_and_opens_no_new_way",
                    "every draw conserves energy",
                    "conservation of energy",
                    DERIVED,
                ),
                (
                    "a_scenario_weighed_on_other_paths_is_that_scenario_traced",
                    "different absorption on stored paths = traced again",
                    "comparison of the two",
                    DERIVED,
                ),
                (
                    "few_paths_tell_the_spread_as_well_as_many",
                    "few paths suffice for the input uncertainty",
                    "more paths",
                    DERIVED,
                ),
                (
                    "the_spread_is_that_of_direct_differences",
                    "input uncertainty = slope of the index x uncertainty",
                    "slope from halls traced separately",
                    DERIVED,
                ),
                (
                    "probabilities_of_the_order_follow_the_normal_law",
                    "probability that an order holds",
                    "normal law",
                    DERIVED,
                ),
            ],
        ),
    ),
)

OTHER_TESTS = {
    "standards/test_weighted_absorption.py": ("absorption_is_rounded_to_a_twentieth_halves_upward",),
    "analytic/test_system_field.py": ("floor_raises_the_power_of_two_points_as_the_sum_over_all_pairs",),
    "analytic/test_decay.py": ("a_replicate_whose_loss_leaves_no_decay_takes_the_common_rate",),
    "analytic/test_decay_slopes.py": ("too_short_a_decay_has_no_two_slopes",),
    "analytic/test_drape.py": ("limits_of_fullness", "impossible_cloth"),
    "analytic/test_energy_deposition.py": ("groups_may_be_named",),
    "analytic/test_reverberation.py": ("scenarios_and_bands_ride_along",),
    "analytic/test_time_zero.py": (
        "traced_sound_makes_time_zero_where_nothing_known_does",
        "intervals_hold_where_chance_moves_time_zero",
        "intervals_hold_where_a_faint_sound_comes_long_before_the_rest",
        "a_silent_source_moves_nothing",
        "a_traced_first_arrival_is_known_to_its_bin",
        "no_early_decay_time_where_the_direct_sound_alone_is_all_of_it",
    ),
    "analytic/test_system_subs.py": (
        "rejection_of_a_mirror_image_is_the_same",
        "rejection_does_not_depend_on_where_the_stack_looks",
        "31_hertz_needs_a_level_there",
    ),
    "standards/test_absorption.py": (
        "every_row_has_a_source_that_says_how_far_it_was_checked",
        "values_are_what_they_say",
    ),
    "standards/test_air.py": ("arrays_broadcast_with_the_band_last", "outside_the_standard"),
    "standards/test_iec60268_16.py": ("articulation_loss_is_a_percentage",),
    "standards/test_iso3382.py": ("there_is_no_strength_without_a_power",),
    "standards/test_noise_curves.py": ("names_of_curves", "other_names_are_no_curves"),
}
"""Tests in tests/analytic and tests/standards that test the program and not the physics: errors, shapes, names."""


def all_checks() -> dict[str, Check]:
    """Test -> check."""
    found: dict[str, Check] = {}
    for section in TOPICS:
        for check in section.checks:
            if check.test in found:
                raise ValueError(f"{check.test} is registered twice")
            found[check.test] = check
    return found

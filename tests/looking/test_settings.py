from stacker.looking.settings import settings_alike
from stacker.pictures.settings import Settings

USUAL = Settings(exposure_s=1 / 160, f_number=5.6, iso=100, focal_length_mm=100, white_balance="Manual")


def changed(**more):
    return Settings(**{name: getattr(USUAL, name) for name in Settings.__slots__} | more)


def test_what_stays_the_same_and_what_nobody_wrote():
    alike = settings_alike([1, 2, 3], [changed(f_number=None)] * 3)
    assert alike.changes == alike.to_take_again == ()
    assert dict(alike.same) == {"exposure_s": 1 / 160, "iso": 100, "focal_length_mm": 100, "white_balance": "Manual"}
    assert (alike.unwritten, alike.read) == (("f_number",), 3)


def test_a_change_names_its_frames_and_only_another_slice_or_scale_is_taken_again():
    settings = [USUAL] * 8
    settings[2], settings[5], settings[6] = changed(iso=400), changed(f_number=8.0), changed(f_number=8.0)
    alike = settings_alike(range(11, 19), settings)
    assert [(one.name, one.usual, one.values) for one in alike.changes] == [
        ("f_number", 5.6, ((8.0, (16, 17)),)),
        ("iso", 100, ((400, (13,)),)),
    ]
    assert alike.to_take_again == (16, 17)


def test_half_a_stack_is_not_taken_again_on_a_guess_which_half_is_right():
    alike = settings_alike(range(1, 5), [USUAL, USUAL, changed(f_number=8.0), changed(f_number=8.0)])
    assert alike.changes
    assert alike.to_take_again == ()


def test_what_differs_by_rounding_is_the_same():
    alike = settings_alike([1, 2], [changed(exposure_s=1 / 160), changed(exposure_s=0.0063)])
    assert not alike.changes
    assert settings_alike([1, 2], [changed(exposure_s=1 / 160), changed(exposure_s=1 / 200)]).changes


def test_values_that_differ_by_rounding_count_together():
    times_s = (0.005, 0.005, 1 / 160, 0.0063, 1 / 160)
    (one,) = settings_alike(range(1, 6), [changed(exposure_s=time_s) for time_s in times_s]).changes
    assert (one.usual, one.values) == (1 / 160, ((0.005, (1, 2)),))


def test_files_without_settings_are_counted_as_that():
    alike = settings_alike([1, 2, 3], [Settings(), USUAL, Settings()])
    assert (alike.read, alike.changes) == (1, ())
    assert settings_alike([1, 2], [Settings()] * 2).read == 0

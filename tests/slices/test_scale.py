"""What a file says about lengths, and what it only seems to say."""

import pytest

from ctrecon.slices.readers.scale import FileScale, description_fields, merge_scales, per_inch_mm, read_scale


@pytest.mark.parametrize("per_inch", [72, 96, 150, 300, 600])
def test_print_defaults_are_no_scale(per_inch: int) -> None:
    """A print resolution says nothing of the part, in inches, centimetres or whole pixels per centimetre."""
    assert per_inch_mm(per_inch, per_inch) is None
    assert per_inch_mm(per_inch / 2.54, per_inch / 2.54, unit_mm=10.0) is None
    assert per_inch_mm(round(per_inch / 2.54), round(per_inch / 2.54), unit_mm=10.0) is None
    assert per_inch_mm(round(per_inch / 0.0254) * 0.0254, round(per_inch / 0.0254) * 0.0254) is None


def test_true_resolution_is_read_across_and_down() -> None:
    """508 pixels per inch across and 254 down are 0.05 mm and 0.1 mm, the inch being 25.4 mm by definition."""
    assert per_inch_mm(508, 254) == pytest.approx((0.1, 0.05))


@pytest.mark.parametrize("bad", [0, -5, float("inf"), float("nan"), "x", None, True, 1])
def test_useless_resolutions_are_no_scale(bad: object) -> None:
    """Zero, negative, endless, absent and placeholder resolutions are left out."""
    assert per_inch_mm(bad, bad) is None


@pytest.mark.parametrize(
    "text",
    [
        '{"spacing": 0.05, "unit": "mm"}',
        '{"spacing": 50, "unit": "um"}',
        '{"spacing_mm": 0.05}',
        "spacing=0.05\nunit=mm",
        "images=3\nunit=\\u00B5m\nspacing=50.0\nloop=false\n",
        "spacing=0.005; unit=cm",
    ],
)
def test_slice_spacing_is_read_with_its_unit(text: str) -> None:
    """A spacing in JSON or key=value lines counts in the unit it names."""
    assert read_scale(description_fields(text)).dz_mm == pytest.approx(0.05)


def test_description_unit_serves_a_resolution_without_unit() -> None:
    """Twenty pixels per unit, the unit named in the description, give all three edges."""
    scale = read_scale({"spacing": "0.1", "unit": "mm"}, per_unit=(20.0, 10.0))
    assert scale.voxel_mm == pytest.approx((0.1, 0.1, 0.05))


def test_voxel_triple_is_read_whole() -> None:
    """A plain voxel_mm triple states all edges; one number states a cube."""
    assert read_scale(description_fields('{"voxel_mm": [0.1, 0.05, 0.04]}')).voxel_mm == (0.1, 0.05, 0.04)
    assert read_scale(description_fields("voxel_mm=0.1, 0.05, 0.04")).voxel_mm == (0.1, 0.05, 0.04)
    assert read_scale(description_fields('{"voxel_mm": 0.05}')).voxel_mm == (0.05, 0.05, 0.05)


@pytest.mark.parametrize(
    "text",
    [
        "spacing=0.05",
        '{"spacing": -1, "unit": "mm"}',
        '{"spacing": NaN, "unit": "mm"}',
        '{"voxel_mm": [1, 2]}',
        '{"voxel_mm": [0, 1, 1]}',
        "spacing=0.05\nunit=furlong",
    ],
)
def test_unusable_statements_are_left_out_with_a_reason(text: str) -> None:
    """A spacing without a unit or with a nonsense number is not a scale, and the reason is kept."""
    scale = read_scale(description_fields(text))
    assert scale.voxel_mm is None
    assert scale.dz_mm is None
    assert scale.trouble


@pytest.mark.parametrize("text", ["", "a drum hub", "{broken", "[1, 2]", '{"a": ' * 5000, "=\n=", "{}"])
def test_other_descriptions_state_nothing(text: str) -> None:
    """Free text and broken JSON are not a scale and not an error."""
    assert read_scale(description_fields(text)) == FileScale()


def test_files_that_contradict_each_other_state_nothing() -> None:
    """Two different column spacings in one series leave the scale unknown; equal ones stay."""
    one, two = FileScale(0.1, 0.05, 0.05), FileScale(0.1, 0.05, 0.06)
    assert merge_scales([one, two]).voxel_mm is None
    assert merge_scales([one, two]).trouble
    assert merge_scales([one, FileScale(0.1)]).voxel_mm == (0.1, 0.05, 0.05)

"""The plant and soil tables against FAO-56 (1998)."""

from __future__ import annotations

import pytest

from scheduler.site.catalogue import KINDS, SOILS, search_kinds


@pytest.mark.parametrize(
    ("kind", "kc", "root_m", "p"),
    [  # FAO-56 Table 12 (Kc) and Table 22 (smaller root depth, p)
        ("tomato", (0.6, 1.15, 0.80), 0.7, 0.40),  # Kc end: middle of the book's 0.70-0.90
        ("lettuce", (0.7, 1.00, 0.95), 0.3, 0.30),
        ("pepper", (0.6, 1.05, 0.90), 0.5, 0.30),
        ("strawberry", (0.40, 0.85, 0.75), 0.2, 0.20),
    ],
)
def test_a_crop_has_the_coefficients_of_the_book(
    kind: str, kc: tuple[float, ...], root_m: float, p: float
) -> None:
    found = KINDS[kind]
    assert (found.kc_ini, found.kc_mid, found.kc_end) == kc
    assert (found.root_depth_m, found.p) == (root_m, p)


def test_an_ornamental_lies_in_the_range_of_its_class() -> None:
    """WUCOLS III: very low under 0.1, low 0.1-0.3, moderate 0.4-0.6, high 0.7-0.9."""
    ranges = {"very low": (0.0, 0.1), "low": (0.1, 0.3), "moderate": (0.4, 0.6), "high": (0.7, 0.9)}
    seen = 0
    for kind in KINDS.values():
        for name, (least, most) in ranges.items():
            if kind.source.startswith(f"WUCOLS {name} "):
                seen += 1
                assert kind.plant_factor is not None and least <= kind.plant_factor <= most
    assert seen > 25


def test_every_row_is_whole_and_says_where_it_comes_from() -> None:
    for kind in KINDS.values():
        assert kind.source and kind.names and 0 < kind.p < 1 and 0.1 <= kind.root_depth_m <= 2
        assert (kind.plant_factor is None) == (kind.method == "crop") == (kind.kc_mid is not None)


def test_soils_lie_within_table_19() -> None:
    assert (SOILS["loam"].fc, SOILS["loam"].wp) == pytest.approx((0.25, 0.12))  # 0.20-0.30 and 0.07-0.17
    assert (SOILS["clay"].fc, SOILS["clay"].wp) == pytest.approx((0.36, 0.22))  # 0.32-0.40 and 0.20-0.24


def test_a_kind_is_found_by_its_common_name() -> None:
    assert search_kinds("Courgette")[0].key == "zucchini"
    assert search_kinds("fig")[0].key == "fig"
    assert search_kinds("triffid") == ()

"""A household's own kinds of plant in the site file: read, checked, and used by the balance."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from scheduler.agronomy.coefficients import kind_of, plant_coefficient
from scheduler.agronomy.need import available_mm
from scheduler.site.catalogue import KINDS
from scheduler.site.errors import SiteFileError
from scheduler.site.examples import example_text
from scheduler.site.reading import read_site_text
from scheduler.site.schema import site_schema

DRUMS = example_text("five-drums")
FIG = 'kind = "fig"'


def with_kind(body: str, *, plant_kind: str = "tomatillo", name: str = "tomatillo") -> str:
    """The example with a kind of its own, of which the fig's place is taken."""
    assert FIG in DRUMS
    text = DRUMS.replace(FIG, f'kind = "{plant_kind}"', 1)
    return f"{text}\n[kind.{name}]\n{body}\n"


def problem(text: str) -> tuple[str, str]:
    """Key and remedy of the only problem of a file."""
    with pytest.raises(SiteFileError) as caught:
        read_site_text(text, "garden.toml")
    (found,) = caught.value.problems
    assert found.line is not None
    return found.key, found.remedy


def test_what_a_kind_does_not_say_is_as_the_one_it_is_like() -> None:
    site = read_site_text(with_kind('like = "tomato"\nroot_depth = "40 cm"\nreadily_available = "30 %"'), "t")
    made = kind_of(site.plant("fig"))
    tomato = KINDS["tomato"]
    assert (made.key, made.root_depth_m, made.p) == ("tomatillo", 0.4, 0.3)
    assert (made.kc_ini, made.kc_mid, made.kc_end) == (tomato.kc_ini, tomato.kc_mid, tomato.kc_end)
    assert made.stages_d == tomato.stages_d and made.source.startswith("site file")


def test_its_own_coefficients_and_stages_make_its_curve() -> None:
    """FAO-56 Example 28 (as in tests/agronomy/test_coefficients.py), dry beans:
    Kc 0.15, 1.19, 0.35; stages of 25, 25, 30, 20 days. Kc is 0.15
    on day 20, 0.77 on day 40, 1.19 on day 70 and 0.56 on day 95."""
    body = (
        'like = "tomato"\nkc_initial = 0.15\nkc_mid = 1.19\nkc_end = 0.35\n'
        'initial = "25 days"\ndevelopment = "25 days"\nmid = "30 days"\nlate = "20 days"'
    )
    text = with_kind(body).replace("planted = 2011-10-20", "planted = 2011-05-23")
    plant = read_site_text(text, "t").plant("fig")
    days = (date(2011, 5, 23) + timedelta(days=n) for n in (20, 40, 70, 95))
    assert [plant_coefficient(plant, d) for d in days] == pytest.approx([0.15, 0.77, 1.19, 0.56], abs=0.005)


def test_a_factor_serves_all_season() -> None:
    plant = read_site_text(with_kind('like = "tomato"\nplant_factor = 0.4'), "t").plant("fig")
    assert kind_of(plant).method == "factor"
    assert {plant_coefficient(plant, date(2031, m, 1)) for m in (6, 7, 8)} <= {0.4, 0.0}
    assert available_mm(plant) > 0.0


@pytest.mark.parametrize(
    ("body", "key", "remedy"),
    [
        ('like = "tomatto"', "like", "'tomato'"),
        ('like = "tomato"\nplant_factor = 0.4\nkc_mid = 1.0', "kc_mid", "not both"),
        ('like = "tomato"\ninitial = "30 days"', "development", "all four stages"),
        ('like = "tomato"\nkc_mid = 11.5', "kc_mid", "from 0.05 to 1.5"),
        ('like = "tomato"\nroot_depth = 40', "root_depth", "unit"),
        ('like = "tomato"\nkc = 1.0', "kc", "no such key"),
        ("plant_factor = 0.4", "like", "missing"),
        (
            f'like = "{next(k for k, v in KINDS.items() if v.method == "factor")}"\nkc_end = 0.5',
            "kc_mid",
            "missing",
        ),
    ],
)
def test_a_mistake_is_told_with_key_line_and_remedy(body: str, key: str, remedy: str) -> None:
    found, said = problem(with_kind(body))
    assert found.split(", ")[-1] == key
    assert remedy in said


def test_a_plant_of_a_kind_that_nobody_knows_is_told() -> None:
    assert "'tomatillo'" in problem(with_kind('like = "tomato"', plant_kind="tomatilo"))[1]
    assert "'tomato'" in problem(DRUMS.replace(FIG, 'kind = "tomatto"', 1))[1]


def test_a_name_of_the_catalogue_is_not_taken_twice() -> None:
    assert "choose another name" in problem(with_kind('like = "tomato"', plant_kind="fig", name="tomato"))[1]


def test_the_schema_knows_own_kinds() -> None:
    kinds = site_schema()["properties"]["kind"]["additionalProperties"]
    assert "like" in kinds["required"] and "kc_mid" in kinds["properties"]

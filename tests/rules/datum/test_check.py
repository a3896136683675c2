"""What `witnesspost check` says of a project's datum: one line a problem, with the key, what was read, what was expected."""

import pytest
from witnesspost.rules.datum.check import check_datum
from witnesspost.rules.site.model import SiteError
from witnesspost.rules.site.reading import site_from_table

from tests.rules.datum.test_geoid import write_gtx

KESTREL = {"name": "KQ-1", "latitude": 39.1234567, "longitude": -104.9876543, "height": 1874.322}
ON_GRID = {"name": "KQ-1", "easting": 3142640.0, "northing": 1632000.0, "height": 6149.35}


def site(*control, base="KQ-1", **project):
    return site_from_table(
        {
            "post": {"name": "kestrel", "role": "base"},
            "stream": [{"name": "line", "port": "loop://", "carries": ["corrections"]}],
            "project": {"frame": "EPSG:6319", "epoch": 2010.0, "vertical": "geoid", **project, "control": list(control)},
            "base": {"occupies": base, "antenna_height_m": 0.0} if base else {},
        }
    )


@pytest.mark.parametrize(
    "good",
    [
        site(KESTREL),
        site(KESTREL, vertical="ellipsoidal"),
        site(KESTREL, frame="EPSG:6318"),
        site(KESTREL, frame="EPSG:6318", vertical="ellipsoidal"),
        site({**KESTREL, "height": 6149.35}, height_unit="ft"),
        site(ON_GRID, frame="EPSG:6428", height_unit="us-ft"),
        site(ON_GRID, frame="EPSG:6428", height_unit="us-ft", vertical="ellipsoidal"),
        site({**KESTREL, "latitude": -31.5, "longitude": 147.2, "height": 230.0}, frame="EPSG:7843"),
        site({**KESTREL, "latitude": 52.0, "longitude": 179.9, "height": 2.0}, frame="EPSG:7912"),
        site(KESTREL, {**KESTREL, "name": "KQ-2", "latitude": 39.2, "height": 2400.0}),
    ],
)
def test_a_sound_datum_has_no_problems(good):
    assert check_datum(good) == []


def test_no_project_no_problems():
    bare = {"post": {"name": "a", "role": "base"}, "stream": [{"name": "l", "port": "loop://", "carries": ["corrections"]}]}
    assert check_datum(site_from_table(bare)) == []


@pytest.mark.parametrize(
    ("bad", "key", "read", "remedy"),
    [
        (site(KESTREL, frame="EPSG:5703"), "project.frame", "NAVD88 height", "such as EPSG:6319"),
        (site(KESTREL, frame="EPSG:4978"), "project.frame", "neither geographic nor projected", "expected"),
        (site(KESTREL, frame="EPSG:6349"), "project.frame", "compound", "EPSG:6318"),
        (site(KESTREL, frame="EPSG:1"), "project.frame", "'EPSG:1'", "expected"),
        (site(KESTREL, geoid="nowhere.gtx"), "project.geoid", "'nowhere.gtx'", '"bundled"'),
        (site({**KESTREL, "height": 6149.35}), "KQ-1).height", "6149.35 m, over 4430 m", 'height_unit = "ft"'),
        (site({**KESTREL, "height": -600.0}), "KQ-1).height", "-600.0 m, under -500 m", "expected height_unit"),
        (site({**ON_GRID, "height": 1874.322}, frame="EPSG:6428"),
         "project.height_unit", '"m" while EPSG:6428 counts in feet', '"us-ft"'),
        (site({**KESTREL, "longitude": 104.9876543}), "KQ-1", "104.9876543", "signs"),
        (site({**KESTREL, "latitude": -31.5, "longitude": 147.2}), "KQ-1", "147.2", "signs"),
        (site({**ON_GRID, "easting": 1632000.0, "northing": 31426400.0}, frame="EPSG:6428", height_unit="us-ft"),
         "KQ-1", "31426400.0", "order, unit and zone"),
        (site(KESTREL, frame="EPSG:6428", height_unit="us-ft"),
         "KQ-1", "latitude and longitude in EPSG:6428", "easting and northing"),
        (site(ON_GRID), "KQ-1", "easting and northing in EPSG:6319", "expected latitude and longitude"),
        (site(KESTREL, {**KESTREL, "name": "KQ-9", "latitude": 43.62}),
         "KQ-9", "km from the base's point KQ-1", "200 km"),
        (site(KESTREL, {**KESTREL, "name": "KQ-2", "latitude": 39.125, "height": 571.3}), "project.control",
         "1874.322 (KQ-1) is 3.281 times 571.3 (KQ-2)", "one unit for all"),
    ],
)  # fmt: skip
def test_each_problem_names_its_key_what_was_read_and_what_was_expected(bad, key, read, remedy):
    problems = check_datum(bad)
    assert len(problems) == 1, problems
    assert key in problems[0].split(":")[0]
    assert read in problems[0]
    assert remedy in problems[0]
    assert "\n" not in problems[0]


def test_500_km_from_the_base():
    (problem,) = check_datum(site(KESTREL, {**KESTREL, "name": "KQ-9", "latitude": 43.62}))
    assert "499 km" in problem or "500 km" in problem


def test_far_from_the_middle_where_the_site_names_no_base():
    points = [{**KESTREL, "name": f"KQ-{n}", "latitude": 39.1 + n / 1000} for n in range(1, 5)]
    (problem,) = check_datum(site(*points, {**KESTREL, "name": "KQ-9", "latitude": 43.62}, base=None))
    assert "KQ-9" in problem
    assert "the middle of the list" in problem


def test_an_epoch_of_1900_never_reaches_the_datum():
    with pytest.raises(SiteError, match=r"project.epoch: read 1900.0; expected a number from 1980 to 2100"):
        site(KESTREL, epoch=1900.0)


def test_a_grid_that_does_not_cover_the_place(tmp_path):
    grid = write_gtx(tmp_path / "europe.gtx", 45.0, 5.0, 0.5, 9, 9)
    (problem,) = check_datum(site(KESTREL, geoid=str(grid)))
    assert problem.startswith("project.geoid")
    assert "does not cover" in problem
    assert "KQ-1" in problem


def test_a_grid_that_does_not_cover_is_no_matter_for_ellipsoidal_heights(tmp_path):
    grid = write_gtx(tmp_path / "europe.gtx", 45.0, 5.0, 0.5, 9, 9)
    assert check_datum(site(KESTREL, geoid=str(grid), vertical="ellipsoidal")) == []


def test_a_truncated_grid(tmp_path):
    grid = write_gtx(tmp_path / "cut.gtx", 38.0, -106.0, 0.5, 5, 5, cut=50)
    (problem,) = check_datum(site(KESTREL, geoid=str(grid)))
    assert problem.startswith("project.geoid")
    assert "truncated" in problem


def test_ten_times_the_points_are_ten_times_the_work(count_calls):
    """Heights that lie apart as feet and metres do, in places that do not: nothing to tell, and much to compare."""

    def work(n):
        spread = [
            {
                "name": f"P{i}",
                "latitude": 38.5 + (i % 97) / 97,
                "longitude": -105.4 + (i % 89) / 89,
                "height": (571.3, 1874.3)[i % 2],
            }
            for i in range(n)
        ]
        here = site(*spread, base=None)
        return count_calls(lambda: check_datum(here))

    work(10)  # PROJ is loaded, frame and geoid are opened
    assert work(3000) < 11 * work(300)


def test_very_many_mistakes_are_told_in_few_lines():
    wrong = [{**KESTREL, "name": f"P{i}", "longitude": 104.9876543} for i in range(1000)]
    problems = check_datum(site(*wrong, base=None))
    assert len(problems) == 21
    assert problems[-1] == "980 more lines like these"
    feet = [{**KESTREL, "name": f"P{i}", "longitude": -104.98 + i / 1e5, "height": (571.3, 1874.3)[i % 2]} for i in range(200)]
    problems = check_datum(site(*feet, base=None))
    assert len(problems) == 6
    assert problems[-1] == "95 more lines like these"


def test_all_problems_at_once():
    problems = check_datum(
        site(
            {**KESTREL, "longitude": 104.9876543},
            {**KESTREL, "name": "KQ-2", "height": 6149.35},
            geoid="nowhere.gtx",
            base="KQ-2",
        )
    )
    assert [problem.split(":")[0] for problem in problems] == [
        "project.geoid",
        "project.control[1] (KQ-1)",
        "project.control[2] (KQ-2).height",
    ]

"""The sweep, against every ray followed by itself from the satellite's side, one crossing after another."""

from __future__ import annotations

import numpy as np
import pytest

from skysill.bulk.running_maximum import NO_GROUND_M, Sweep, SweepGeometry, swept_heights_m


def course_of(rows, *, drift, rise=0.0, sideways=(0.0, 0.0), wander=0.0):
    """drift columns a row; the line loses `rise` metres a row, with a part linear and square in the column."""
    number = np.arange(rows)
    return SweepGeometry(
        drift + wander * np.sin(number),
        np.stack([rise * number + 0.002 * number**2, sideways[0] * number, sideways[1] * number], axis=1), 0.0,
    )  # fmt: skip


def by_hand(ground, course, rays):
    """Each ray a running maximum of ground plus what the line has lost; read between the two rays beside each cell."""
    rows, columns = ground.shape
    u = np.linspace(-1.0, 1.0, columns)
    raised = (
        ground.astype(float) + course.rise_m[:, :1] + course.rise_m[:, 1:2] * u + course.rise_m[:, 2:] * u**2
    )
    offset = np.concatenate([[0.0], np.cumsum(course.drift[:-1])])

    def at_row(row, x):  # linear between two nodes; the last column has no right neighbour and takes its own
        j = int(np.floor(x))
        if j < 0 or j > columns - 1:
            return NO_GROUND_M
        right = raised[row, min(j + 1, columns - 1)]
        return raised[row, j] + (x - j) * (right - raised[row, j])

    heights = np.zeros(ground.shape)
    lowest = int(np.floor(-offset.max() - 2)) * rays
    highest = int(np.ceil(columns - offset.min() + 2)) * rays
    tops = {n: np.full(rows, NO_GROUND_M) for n in range(lowest, highest + 1)}  # met before each row
    for n, before in tops.items():
        best = NO_GROUND_M
        for row in range(rows):
            x = n / rays + offset[row]
            before[row] = best if -1e-9 <= x < columns else NO_GROUND_M
            if not -1e-9 <= x < columns:
                best = NO_GROUND_M
                continue
            best = max(best, at_row(row, x))
            if row == rows - 1:
                continue
            there = x + course.drift[row]
            for line in range(int(np.ceil(min(x, there))), int(np.floor(max(x, there))) + 1):
                if min(x, there) < line < max(x, there) and 0 <= line < columns:
                    share = (line - x) / (there - x)
                    best = max(best, raised[row, line] + share * (raised[row + 1, line] - raised[row, line]))
    for row in range(rows):
        for column in range(1, columns):
            right = int(np.ceil((column - offset[row]) * rays - 1e-9))
            x_right, x_left = right / rays + offset[row], (right - 1) / rays + offset[row]
            share = (column - x_left) / (x_right - x_left)
            top = tops[right - 1][row] + share * (tops[right][row] - tops[right - 1][row])
            heights[row, column] = max(top - raised[row, column], 0.0)
    return heights


GROUND = (np.random.default_rng(4).random((40, 23)) * 30.0).astype(np.float32)
COURSES = {
    "straight": course_of(40, drift=0.0, rise=-1.0),
    "right": course_of(40, drift=0.37, rise=-0.7),
    "left": course_of(40, drift=-0.41, rise=-0.7, sideways=(0.3, -0.2)),
    "steep right": course_of(40, drift=0.93, rise=-0.4),
    "wandering": course_of(40, drift=0.05, rise=-0.5, sideways=(-0.2, 0.1), wander=0.3),
}


@pytest.mark.parametrize("rays", [1, 2, 3])
@pytest.mark.parametrize("name", COURSES)
def test_heights_are_those_of_rays_followed_one_by_one(name, rays):
    found = swept_heights_m(GROUND, COURSES[name], rays_per_cell=rays)
    wanted = by_hand(GROUND, COURSES[name], rays)
    # the outermost columns have no ray on one side
    inner = np.s_[:, 3:-3] if name != "steep right" else np.s_[:, 5:-3]
    assert found[inner] == pytest.approx(wanted[inner], abs=2e-3)
    assert (found > 0.0).any()
    assert (found[:, 0] == 0.0).all()
    assert (found[0] == 0.0).all()


def test_a_wall_casts_a_shadow_that_falls_with_the_line():
    """A wall 20 m high at row 5 under a line that falls by 1.5 m a row: 20 - 1.5 n metres are needed n rows on."""
    ground = np.zeros((30, 9), np.float32)
    ground[5] = 20.0
    rise = np.zeros((30, 3))
    rise[:, 0] = 1.5 * np.arange(30)
    found = swept_heights_m(ground, SweepGeometry(np.zeros(30), rise, 0.0), rays_per_cell=3)
    wanted = np.maximum(20.0 - 1.5 * (np.arange(30) - 5.0), 0.0)
    wanted[:6] = 0.0
    assert found[:, 4] == pytest.approx(wanted, abs=1e-4)


@pytest.mark.parametrize("strip", [1, 7, 16, 17])
def test_a_sheet_in_strips_is_the_sheet_at_once(strip):
    course = COURSES["wandering"]
    whole = swept_heights_m(GROUND, course)
    sweep, rows = Sweep(course, GROUND.shape[1], 3), []
    for top in range(0, 40, strip):
        rows.append(sweep.over(GROUND[top : min(top + strip, 40) + 1]))
    assert np.concatenate(rows) == pytest.approx(whole, abs=1e-4)
    assert sweep.done == 40

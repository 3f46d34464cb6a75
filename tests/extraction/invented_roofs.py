"""Invented houses with exactly known roofs, and scans of them. Nothing here uses the package under test.

A roof is a height function in the house's own frame (x along the ridge, y across), built from planes by minimum
(ridges and hips) and maximum (valleys). Lengths in metres.
"""

from dataclasses import dataclass, field

import numpy as np

FORMS = ("flat", "gabled", "hipped", "half-hipped", "skillion", "pyramidal", "cross-gabled")


@dataclass(frozen=True)
class Box:
    """A chimney or dormer with a flat top, in the house's frame."""

    kind: str
    x: float
    y: float
    half_x: float
    half_y: float
    top_m: float


@dataclass(frozen=True)
class InventedRoof:
    """planes : (p, 3) a, b, c of z = a x + b y + c in the house's frame; ridge : ends (2, 3) of its highest line."""

    form: str
    outline: np.ndarray
    planes: np.ndarray
    ridge: np.ndarray
    pitch: float
    angle_deg: float
    shift: np.ndarray
    length: float
    width: float
    eaves_m: float
    boxes: tuple[Box, ...] = ()
    parapet_m: float = 0.0
    wing: tuple[float, float, float] | None = None
    extra: dict = field(default_factory=dict)

    def height(self, x, y):
        """Elevation of the bare roof's planes at (x, y) of the house's frame."""
        z = (
            self.planes[:, 0, None] * np.ravel(x)
            + self.planes[:, 1, None] * np.ravel(y)
            + self.planes[:, 2, None]
        )
        if self.form == "cross-gabled":
            wing_top = np.minimum(z[2], z[3])
            return np.maximum(np.minimum(z[0], z[1]), np.where(np.ravel(y) > 0.0, wing_top, -np.inf))
        return z.min(axis=0)

    def owner(self, x, y):
        """Number of the plane that is the roof at each place."""
        z = self.planes[:, 0, None] * x + self.planes[:, 1, None] * y + self.planes[:, 2, None]
        return np.abs(z - self.height(x, y)).argmin(axis=0)

    def to_world(self, xy):
        turn = np.deg2rad(self.angle_deg)
        rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        return np.asarray(xy) @ rotation.T + self.shift

    def to_house(self, en):
        turn = np.deg2rad(self.angle_deg)
        rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        return (np.asarray(en) - self.shift) @ rotation

    @property
    def outline_world(self):
        return self.to_world(self.outline)

    @property
    def ridge_world(self):
        return np.column_stack([self.to_world(self.ridge[:, :2]), self.ridge[:, 2]])

    @property
    def planes_world(self):
        """(p, 3) of z = a east + b north + c."""
        turn = np.deg2rad(self.angle_deg)
        rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        slope = self.planes[:, :2] @ rotation.T
        return np.column_stack([slope, self.planes[:, 2] - slope @ self.shift])


def invented_roof(form, rng, *, with_things=True):
    """A house of a form, with sizes, pitch, direction and things on its roof drawn at random."""
    length, width = rng.uniform(9.0, 15.0), rng.uniform(6.5, 9.5)
    length = max(length, width + 1.5)
    pitch = np.tan(np.deg2rad(rng.uniform(20.0, 48.0)))
    eaves = rng.uniform(2.6, 5.6) + 40.0
    half, reach = width / 2.0, length / 2.0
    top = eaves + pitch * half
    sides = [[0.0, -pitch, top], [0.0, pitch, top]]
    outline = np.array([[-reach, -half], [reach, -half], [reach, half], [-reach, half]])
    ridge, wing, parapet = np.array([[-reach, 0.0, top], [reach, 0.0, top]]), None, 0.0
    planes = sides
    if form == "flat":
        fall = np.tan(np.deg2rad(rng.uniform(0.0, 2.0)))
        planes = [[0.0, fall, eaves]]
        ridge = np.array([[-reach, half, eaves + fall * half], [reach, half, eaves + fall * half]])
        parapet = float(rng.choice([0.0, rng.uniform(0.4, 0.9)]))
    elif form == "skillion":
        pitch = np.tan(np.deg2rad(rng.uniform(6.0, 25.0)))
        planes = [[0.0, pitch, eaves + pitch * half]]
        ridge = np.array([[-reach, half, eaves + pitch * width], [reach, half, eaves + pitch * width]])
    elif form == "hipped":
        planes = [*sides, [-pitch, 0.0, eaves + pitch * reach], [pitch, 0.0, eaves + pitch * reach]]
        ridge = np.array([[-reach + half, 0.0, top], [reach - half, 0.0, top]])
    elif form == "half-hipped":
        start = (eaves + top) / 2.0
        planes = [*sides, [-pitch, 0.0, start + pitch * reach], [pitch, 0.0, start + pitch * reach]]
        ridge = np.array([[-reach + half / 2.0, 0.0, top], [reach - half / 2.0, 0.0, top]])
    elif form == "pyramidal":
        length = reach = half
        outline = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
        planes = [*sides, [-pitch, 0.0, top], [pitch, 0.0, top]]
        ridge = np.array([[0.0, 0.0, top], [0.0, 0.0, top]])
        length = width
    elif form == "cross-gabled":
        wide, out = rng.uniform(4.5, 6.0), rng.uniform(2.5, 4.5)
        at = rng.uniform(-reach + wide / 2.0, reach - wide / 2.0) * 0.9
        wing_top = eaves + pitch * wide / 2.0
        planes = [*sides, [pitch, 0.0, wing_top - pitch * at], [-pitch, 0.0, wing_top + pitch * at]]
        outline = np.array(
            [[-reach, -half], [reach, -half], [reach, half], [at + wide / 2, half], [at + wide / 2, half + out],
             [at - wide / 2, half + out], [at - wide / 2, half], [-reach, half]]
        )  # fmt: skip
        wing = (at, wide, out)
    roof = InventedRoof(
        form, outline, np.array(planes), ridge, pitch, rng.uniform(0.0, 360.0), rng.uniform(-40.0, 40.0, 2),
        length, width, eaves, parapet_m=parapet, wing=wing,
    )  # fmt: skip
    if not with_things:
        return roof
    boxes = []
    if rng.random() < 0.7:
        x, y = rng.uniform(-0.3, 0.3) * length, rng.uniform(-0.25, 0.25) * width
        boxes.append(Box("chimney", x, y, 0.3, 0.45, float(roof.height(x, y)[0]) + rng.uniform(0.9, 1.6)))
    if form in ("gabled", "hipped") and rng.random() < 0.4:
        x, y = rng.uniform(-0.15, 0.15) * length, -0.25 * width
        boxes.append(Box("dormer", x, y, 1.1, 0.9, float(roof.height(x, y + 0.9)[0]) + 0.1))
    return InventedRoof(**{**roof.__dict__, "boxes": tuple(boxes)})


def surface(roof, x, y):
    """Elevation of all there is, in the house's frame."""
    z = np.array(roof.height(x, y))
    for box in roof.boxes:
        inside = (np.abs(x - box.x) < box.half_x) & (np.abs(y - box.y) < box.half_y)
        z = np.where(inside, np.maximum(z, box.top_m), z)
    if roof.parapet_m:
        near = np.minimum(roof.length / 2.0 - np.abs(x), roof.width / 2.0 - np.abs(y)) < 0.3
        z = np.where(near, z + roof.parapet_m, z)
    return z


def inside_outline(roof, x, y):
    import shapely

    return shapely.contains_xy(shapely.Polygon(roof.outline), x, y)


def scan(roof, rng, *, density=8.0, noise_m=0.05, occluded=True, margin_m=3.0, foliage=True):
    """(n, 3) east, north, elevation: the house and the ground around it, unordered, with some stray points."""
    low, high = roof.outline.min(axis=0) - margin_m, roof.outline.max(axis=0) + margin_m
    count = rng.poisson(density * np.prod(high - low))
    xy = rng.uniform(low, high, (count, 2))
    x, y = xy.T
    z = np.where(inside_outline(roof, x, y), surface(roof, x, y), 40.0)
    keep = np.ones(count, dtype=bool)
    if occluded:  # a patch in the shadow of something tall
        spot = rng.uniform(roof.outline.min(axis=0), roof.outline.max(axis=0))
        keep &= np.hypot(*(xy - spot).T) > 0.8
    if foliage and rng.random() < 0.4:  # a crown over one corner, through which two beams of three pass
        corner = roof.outline[rng.integers(len(roof.outline))]
        under = np.hypot(*(xy - corner).T) < 1.8
        struck = under & (rng.random(count) < 0.35)
        z = np.where(struck, roof.eaves_m + rng.uniform(1.0, 5.0, count), z)
    z = z + rng.normal(0.0, noise_m, count)
    stray = rng.random(count) < 0.003
    z = np.where(stray, z + rng.uniform(-3.0, 6.0, count), z)
    return np.column_stack([roof.to_world(xy), z])[keep]


def raster(roof, rng, *, cell_m, noise_m=0.05, margin_m=3.0, density=16.0):
    """East, north of the first cell's centre's grid (rows north to south) and mean elevation of each cell's points."""
    corners = roof.outline_world
    west, north = corners[:, 0].min() - margin_m, corners[:, 1].max() + margin_m
    columns = int(np.ceil((corners[:, 0].max() + margin_m - west) / cell_m))
    rows = int(np.ceil((north - corners[:, 1].min() + margin_m) / cell_m))
    each = max(1, int(density * cell_m**2))
    east = west + (np.arange(columns)[None, :, None] + rng.random((rows, columns, each))) * cell_m
    up = north - (np.arange(rows)[:, None, None] + rng.random((rows, columns, each))) * cell_m
    x, y = roof.to_house(np.column_stack([east.ravel(), up.ravel()])).T
    z = np.where(inside_outline(roof, x, y), surface(roof, x, y), 40.0) + rng.normal(0.0, noise_m, x.size)
    mean = z.reshape(rows, columns, each).mean(axis=2)
    return west + (np.arange(columns) + 0.5) * cell_m, north - (np.arange(rows) + 0.5) * cell_m, mean

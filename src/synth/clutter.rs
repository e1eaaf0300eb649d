//! Things in the picture that are not the line: pencil, joints, knots, a rule, the edge of a shadow.

use super::scene::Clutter;

/// Clutter sorted for looking up.
pub(super) struct Scatter<'a> {
    on_strip: Vec<&'a Clutter>,
    rules: Vec<[f64; 2]>,
    shades: Vec<&'a Clutter>,
    /// Indices into `on_strip` by 4 mm cell, so that a page of scribble costs nothing elsewhere.
    cells: Vec<Vec<u16>>,
    grid: [f64; 2],
    columns: usize,
    rows: usize,
}

const CELL_MM: f64 = 4.0;
/// The grid covers this much before the low datum and to either side of the line.
const MARGIN_MM: f64 = 80.0;
const EXTENT_MM: [f64; 2] = [480.0, 160.0];

impl<'a> Scatter<'a> {
    pub(super) fn new(clutter: &'a [Clutter]) -> Self {
        let is_local = |item: &&Clutter| !matches!(item, Clutter::Rule { .. } | Clutter::Shade { .. });
        let on_strip: Vec<&Clutter> = clutter.iter().filter(is_local).collect();
        let rules = clutter
            .iter()
            .filter_map(
                |item| if let Clutter::Rule { edge_mm, tick_mm } = item { Some([*edge_mm, *tick_mm]) } else { None },
            )
            .collect();
        let shades = clutter.iter().filter(|item| matches!(item, Clutter::Shade { .. })).collect();
        let [columns, rows] = EXTENT_MM.map(|extent| (extent / CELL_MM) as usize);
        let grid = [-MARGIN_MM, -0.5 * EXTENT_MM[1]];
        let mut cells = vec![vec![]; if on_strip.is_empty() { 0 } else { columns * rows }];
        for (index, item) in on_strip.iter().enumerate() {
            for (cell, list) in cells.iter_mut().enumerate() {
                let centre = [
                    grid[0] + ((cell % columns) as f64 + 0.5) * CELL_MM,
                    grid[1] + ((cell / columns) as f64 + 0.5) * CELL_MM,
                ];
                if reaches(item, centre, 0.75 * CELL_MM) {
                    list.push(index as u16);
                }
            }
        }
        Self { on_strip, rules, shades, cells, grid, columns, rows }
    }

    /// What clutter leaves of the strip's light.
    pub(super) fn on_strip(&self, s: f64, y: f64, pixel_mm: f64) -> f32 {
        if self.cells.is_empty() {
            return 1.0;
        }
        let [column, row] = [(s - self.grid[0]) / CELL_MM, (y - self.grid[1]) / CELL_MM];
        if column < 0.0 || row < 0.0 || column >= self.columns as f64 || row >= self.rows as f64 {
            return 1.0;
        }
        let cell = &self.cells[row as usize * self.columns + column as usize];
        cell.iter().map(|&index| factor(self.on_strip[usize::from(index)], s, y, pixel_mm)).product()
    }

    /// Reflectance of a rule lying beside the strip, where there is one at that place.
    pub(super) fn beside(&self, s: f64, y: f64, pixel_mm: f64) -> Option<f32> {
        self.rules.iter().find_map(|&[edge, tick]| {
            let inwards = if edge < 0.0 { edge - y } else { y - edge };
            if !(0.0..=2.2 * tick).contains(&inwards) {
                return None;
            }
            let nearest = s.round();
            let length = match nearest as i64 {
                mark if mark % 10 == 0 => 1.0,
                mark if mark % 5 == 0 => 0.75,
                _ => 0.5,
            };
            let ink = ((0.09 - (s - nearest).abs()) / pixel_mm + 0.5).clamp(0.0, 1.0);
            Some(if inwards < length * tick { 0.62 - 0.57 * ink as f32 } else { 0.62 })
        })
    }

    /// What shadows leave of the light.
    pub(super) fn shade(&self, s: f64, y: f64) -> f32 {
        self.shades
            .iter()
            .map(|item| {
                let Clutter::Shade { through_mm, angle_deg, softness_mm, depth } = item else { return 1.0 };
                let share = (0.5 + side(*through_mm, *angle_deg, s, y) / softness_mm).clamp(0.0, 1.0);
                (1.0 - depth * share * share * (3.0 - 2.0 * share)) as f32
            })
            .product()
    }
}

/// Signed distance from the straight line through a place, positive to its left.
fn side(through: [f64; 2], angle_deg: f64, s: f64, y: f64) -> f64 {
    let (sin, cos) = angle_deg.to_radians().sin_cos();
    (y - through[1]) * cos - (s - through[0]) * sin
}

fn distance_to_segment(from: [f64; 2], to: [f64; 2], s: f64, y: f64) -> f64 {
    let [dx, dy] = [to[0] - from[0], to[1] - from[1]];
    let length = (dx * dx + dy * dy).max(1e-12);
    let t = (((s - from[0]) * dx + (y - from[1]) * dy) / length).clamp(0.0, 1.0);
    (s - from[0] - t * dx).hypot(y - from[1] - t * dy)
}

fn reaches(item: &Clutter, [s, y]: [f64; 2], radius: f64) -> bool {
    match *item {
        Clutter::Pencil { from_mm, to_mm, width_mm, .. } => {
            distance_to_segment(from_mm, to_mm, s, y) < radius + width_mm
        }
        // The tone changes on one whole side of a joint.
        Clutter::Joint { .. } => true,
        Clutter::Knot { at_mm, radius_mm, .. } => (s - at_mm[0]).hypot(y - at_mm[1]) < radius + 3.0 * radius_mm,
        Clutter::Rule { .. } | Clutter::Shade { .. } => false,
    }
}

fn factor(item: &Clutter, s: f64, y: f64, pixel_mm: f64) -> f32 {
    let value = match *item {
        Clutter::Pencil { from_mm, to_mm, width_mm, depth } => {
            let off = distance_to_segment(from_mm, to_mm, s, y);
            let ink = ((0.5 * width_mm - off) / pixel_mm.max(0.08) + 0.5).clamp(0.0, 1.0);
            // Graphite skips the valleys of the surface.
            let bits = super::noise::mix(((s * 9.0).floor() as i64 as u64) << 24 ^ (y * 9.0).floor() as i64 as u64);
            let rub = 0.65 + 0.35 * (bits & 255) as f64 / 255.0;
            1.0 - depth * ink * rub
        }
        Clutter::Joint { through_mm, angle_deg, width_mm, tone } => {
            let off = side(through_mm, angle_deg, s, y);
            let gap = ((0.5 * width_mm - off.abs()) / pixel_mm.max(0.03) + 0.5).clamp(0.0, 1.0);
            (if off > 0.0 { tone } else { 1.0 }) * (1.0 - 0.75 * gap)
        }
        Clutter::Knot { at_mm, radius_mm, depth } => {
            let [dx, dy] = [(s - at_mm[0]) / 1.35, y - at_mm[1]];
            let off = dx.hypot(dy) / radius_mm;
            let rings = 0.12 * (off * 14.0 + 2.0 * dy.atan2(dx).sin()).sin();
            let inner = (1.15 - off).clamp(0.0, 0.3) / 0.3;
            let halo = (-(off - 1.0).max(0.0) * 2.5).exp();
            1.0 - depth * (inner * (0.75 + rings) + (1.0 - inner) * 0.3 * halo)
        }
        Clutter::Rule { .. } | Clutter::Shade { .. } => 1.0,
    };
    value as f32
}

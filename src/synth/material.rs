//! Surfaces: reflectance in linear light as a function of the place, from periodic tiles of noise.

use super::noise::{Dice, Tile, lattice, mix};

/// What a strip or a bench is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)]
pub enum Material {
    BirchPly,
    Mdf,
    Cardboard,
    Pine,
    Walnut,
    OakPlanks,
    CoatedPlate,
    PaperBoard,
}

/// A photographed surface, to be tiled with mirror images.
#[derive(Debug, Clone)]
pub struct Picture {
    /// Pixels in a row.
    pub width: usize,
    /// Reflectance relative to its mean, row by row.
    pub relative: Vec<f32>,
    /// Size of a pixel on the strip.
    pub mm_per_px: f64,
}

/// How a material takes the beam.
#[derive(Debug, Clone, Copy)]
pub(super) struct Finish {
    /// Mean reflectance in linear light.
    pub(super) reflectance: f32,
    /// Reflectance of the bottom of a strong line.
    pub(super) core: f32,
    /// Colour of the surface and of the scorched wood: red, green, blue relative to the luminance (scaled when used).
    pub(super) tint: [f32; 3],
}

impl Material {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::BirchPly,
        Self::Mdf,
        Self::Cardboard,
        Self::Pine,
        Self::Walnut,
        Self::OakPlanks,
        Self::CoatedPlate,
        Self::PaperBoard,
    ];

    /// Whether the beam bares a light ground instead of charring.
    pub const fn marks_light(self) -> bool {
        matches!(self, Self::CoatedPlate)
    }

    pub(super) const fn finish(self) -> Finish {
        let (reflectance, core, tint) = match self {
            Self::BirchPly => (0.55, 0.035, [1.25, 0.98, 0.62]),
            Self::Mdf => (0.30, 0.025, [1.32, 0.96, 0.58]),
            Self::Cardboard => (0.33, 0.03, [1.38, 0.95, 0.52]),
            Self::Pine => (0.50, 0.04, [1.32, 0.96, 0.50]),
            Self::Walnut => (0.115, 0.018, [1.45, 0.92, 0.58]),
            Self::OakPlanks => (0.27, 0.028, [1.36, 0.95, 0.54]),
            Self::CoatedPlate => (0.035, 0.42, [0.98, 1.0, 1.05]),
            Self::PaperBoard => (0.72, 0.04, [1.06, 1.0, 0.86]),
        };
        Finish { reflectance, core, tint }
    }
}

/// A surface ready to be looked up.
#[derive(Debug)]
pub(super) struct Surface<'a> {
    pub(super) finish: Finish,
    fine: Tile,
    coarse: Tile,
    /// Cosine and sine of the grain's angle, and where the tiles start.
    turn: [f64; 2],
    offset: [f64; 2],
    planks: Option<Planks>,
    picture: Option<&'a Picture>,
}

/// Boards side by side.
#[derive(Debug)]
struct Planks {
    width_mm: f64,
    phase_mm: f64,
    seed: u64,
}

/// A noise layer: lattice length along and across the grain in mm, and its relative amplitude.
type Layer = (f64, f64, f32);

impl<'a> Surface<'a> {
    pub(super) fn new(material: Material, picture: Option<&'a Picture>, grain_deg: f64, seed: u64) -> Self {
        let mut dice = Dice::new(seed, 21);
        let (fine_layers, coarse_layers): (&[Layer], &[Layer]) = match material {
            Material::BirchPly => {
                (&[(3.0, 0.12, 0.035), (1.2, 0.25, 0.03), (0.1, 0.1, 0.025)], &[(60.0, 4.0, 0.06), (25.0, 9.0, 0.05)])
            }
            Material::Mdf => (&[(0.12, 0.12, 0.05), (0.5, 0.3, 0.035), (1.2, 0.6, 0.02)], &[(20.0, 20.0, 0.03)]),
            Material::Cardboard => {
                (&[(0.9, 0.1, 0.05), (0.15, 0.15, 0.04), (0.1, 0.8, 0.03)], &[(30.0, 30.0, 0.03), (120.0, 7.0, 0.03)])
            }
            Material::Pine => (&[(4.0, 0.15, 0.06), (0.2, 0.1, 0.03)], &[(80.0, 6.0, 0.05)]),
            Material::Walnut => {
                (&[(2.5, 0.12, 0.10), (1.0, 0.2, 0.08), (0.15, 0.1, 0.05)], &[(70.0, 3.0, 0.18), (30.0, 8.0, 0.12)])
            }
            Material::OakPlanks => {
                (&[(3.0, 0.15, 0.08), (1.5, 0.3, 0.06), (0.15, 0.1, 0.03)], &[(60.0, 2.5, 0.10), (20.0, 8.0, 0.06)])
            }
            Material::CoatedPlate => (&[(0.1, 0.1, 0.10), (2.0, 0.08, 0.05)], &[(40.0, 40.0, 0.05)]),
            Material::PaperBoard => (&[(0.1, 0.1, 0.02), (0.6, 0.25, 0.012)], &[(30.0, 30.0, 0.015)]),
        };
        let pores: Option<(f64, f64, f32, f32)> = match material {
            // lattice along and across, share of the surface, depth
            Material::BirchPly => Some((1.6, 0.08, 0.06, 0.25)),
            Material::Walnut => Some((2.2, 0.10, 0.10, 0.45)),
            Material::OakPlanks => Some((2.6, 0.14, 0.12, 0.42)),
            Material::Mdf => Some((0.35, 0.10, 0.05, 0.25)),
            Material::Cardboard => Some((0.8, 0.08, 0.05, 0.22)),
            _ => None,
        };
        let (fine_size, fine_cell) = ([512, 512], [0.14, 0.045]);
        let fine = Tile::from_fn(512, 512, fine_cell, |u, v| {
            let mut value = layers(fine_layers, seed, [u, v], fine_size, fine_cell);
            if let Some((along, across, share, depth)) = pores {
                let noise = layer(seed ^ 77, [u, v], fine_size, fine_cell, [along, across]);
                // The lattice's values crowd round zero; this cut leaves about the asked share above it.
                let cut = 0.75 - share * 2.0;
                value -= depth * ((noise - cut) * 6.0).clamp(0.0, 1.0);
            }
            value
        });
        let rings = match material {
            Material::Pine => Some((dice.between(2.0, 5.0), 0.32)),
            Material::OakPlanks => Some((dice.between(1.5, 4.0), 0.10)),
            Material::Walnut => Some((dice.between(3.0, 7.0), 0.15)),
            Material::BirchPly => Some((dice.between(4.0, 9.0), 0.05)),
            _ => None,
        };
        let (coarse_size, coarse_cell) = ([512, 512], [0.5, 0.12]);
        let coarse = Tile::from_fn(512, 512, coarse_cell, |u, v| {
            let mut value = layers(coarse_layers, seed ^ 5, [u, v], coarse_size, coarse_cell);
            if let Some((period, depth)) = rings {
                let extent = 512.0 * coarse_cell[1];
                let turns = (extent / period).round().max(1.0);
                let warp = 1.6 * f64::from(layer(seed ^ 9, [u, v], coarse_size, coarse_cell, [70.0, 12.0]))
                    + 0.3 * f64::from(layer(seed ^ 10, [u, v], coarse_size, coarse_cell, [15.0, 3.0]));
                let place = v as f64 / 512.0 * turns + warp;
                let phase = place - place.floor();
                // Spring wood darkens slowly into summer wood, which ends at once.
                let ramp = if phase < 0.9 { (phase / 0.9).powi(3) } else { (1.0 - phase) / 0.1 };
                value += depth * (0.35 - ramp as f32);
            }
            value
        });
        let planks = (material == Material::OakPlanks).then(|| Planks {
            width_mm: dice.between(9.0, 40.0),
            phase_mm: dice.between(0.0, 100.0),
            seed: dice.seed(),
        });
        let (sin, cos) = grain_deg.to_radians().sin_cos();
        let offset = [dice.between(0.0, 500.0), dice.between(0.0, 500.0)];
        Self { finish: material.finish(), fine, coarse, turn: [cos, sin], offset, planks, picture }
    }

    /// Reflectance at a place.
    pub(super) fn at(&self, s: f64, y: f64) -> f32 {
        let along = s * self.turn[0] + y * self.turn[1] + self.offset[0];
        let across = y * self.turn[0] - s * self.turn[1] + self.offset[1];
        if let Some(picture) = self.picture {
            return self.finish.reflectance * picture.at(along, across);
        }
        let mut value = self.fine.at(along, across) + self.coarse.at(along, across);
        if let Some(planks) = &self.planks {
            let place = (across + planks.phase_mm) / planks.width_mm;
            let board = place.floor();
            let tone = (mix(planks.seed ^ board as i64 as u64) >> 40) as f32 / 16_777_216.0;
            let gap = (place - board).min(board + 1.0 - place) * planks.width_mm;
            value += 0.3 * (tone - 0.5) - 0.6 * ((0.25 - gap) / 0.12).clamp(0.0, 1.0) as f32;
        }
        self.finish.reflectance * (1.0 + value).max(0.1)
    }
}

impl Picture {
    /// Bilinear value, mirrored beyond the borders so that no seam is taken for a joint.
    fn at(&self, along_mm: f64, across_mm: f64) -> f32 {
        let height = self.relative.len() / self.width;
        let fold = |place: f64, size: usize| {
            let length = (size - 1) as f64;
            let wrapped = (place / self.mm_per_px).rem_euclid(2.0 * length);
            if wrapped > length { 2.0 * length - wrapped } else { wrapped }
        };
        let [u, v] = [fold(along_mm, self.width), fold(across_mm, height)];
        let [column, row] = [(u as usize).min(self.width - 2), (v as usize).min(height - 2)];
        let [share_u, share_v] = [(u - column as f64) as f32, (v - row as f64) as f32];
        let cell = |column: usize, row: usize| self.relative[row * self.width + column];
        let top = cell(column, row) * (1.0 - share_u) + cell(column + 1, row) * share_u;
        let bottom = cell(column, row + 1) * (1.0 - share_u) + cell(column + 1, row + 1) * share_u;
        top * (1.0 - share_v) + bottom * share_v
    }
}

fn layers(layers: &[Layer], seed: u64, cell: [usize; 2], size: [usize; 2], cell_mm: [f64; 2]) -> f32 {
    layers
        .iter()
        .enumerate()
        .map(|(index, &(along, across, amplitude))| {
            // lattice noise has a standard deviation of about 0.35
            amplitude * 2.8 * layer(seed ^ mix(index as u64), cell, size, cell_mm, [along, across])
        })
        .sum()
}

/// One layer at a tile's cell, its lattice stretched to repeat with the tile.
fn layer(seed: u64, cell: [usize; 2], size: [usize; 2], cell_mm: [f64; 2], lattice_mm: [f64; 2]) -> f32 {
    let mut periods = [1; 2];
    let mut place = [0.0; 2];
    for axis in 0..2 {
        let extent = size[axis] as f64 * cell_mm[axis];
        periods[axis] = (extent / lattice_mm[axis]).round().clamp(1.0, size[axis] as f64) as usize;
        place[axis] = cell[axis] as f64 / size[axis] as f64 * periods[axis] as f64;
    }
    lattice(seed, place[0], place[1], periods)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mean_reflectance_is_about_what_the_finish_says() {
        for material in Material::ALL {
            let surface = Surface::new(material, None, 3.0, 5);
            let count = 40_000;
            let sum: f64 = (0..count)
                .map(|index| f64::from(surface.at(f64::from(index % 200) * 0.9, f64::from(index / 200) * 0.31)))
                .sum();
            let ratio = sum / f64::from(count) / f64::from(material.finish().reflectance);
            assert!((0.85..1.1).contains(&ratio), "{material:?}: {ratio}");
        }
    }
}

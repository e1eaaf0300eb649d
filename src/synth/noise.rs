//! Repeatable randomness: a seeded die, wander along a line, periodic texture tiles.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// A seeded source of the few distributions the renderer draws from.
#[derive(Debug, Clone)]
pub struct Dice(ChaCha8Rng);

impl Dice {
    /// A die that always rolls the same for one seed and purpose.
    pub fn new(seed: u64, purpose: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(mix(seed ^ mix(purpose))))
    }

    /// Uniform between two values.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.random::<f64>()
    }

    /// Uniform in the logarithm between two positive values.
    pub fn log_between(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.ln(), high.ln()).exp()
    }

    /// Gaussian with mean zero.
    pub fn normal(&mut self, standard_deviation: f64) -> f64 {
        let unit: f64 = self.0.sample(StandardNormal);
        unit * standard_deviation
    }

    /// True with the given probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.0.random::<f64>() < probability
    }

    /// One of the values.
    pub fn pick<T: Copy>(&mut self, values: &[T]) -> T {
        values[self.below(values.len())]
    }

    /// A whole number below `end`.
    pub fn below(&mut self, end: usize) -> usize {
        self.0.random_range(0..end)
    }

    /// A fresh seed.
    pub fn seed(&mut self) -> u64 {
        self.0.random()
    }

    /// -1 or 1.
    pub fn sign(&mut self) -> f64 {
        if self.chance(0.5) { 1.0 } else { -1.0 }
    }
}

/// Scrambles the bits of a counter (the finaliser of SplitMix64, from memory).
pub(super) fn mix(value: u64) -> u64 {
    let mut bits = value.wrapping_add(0x9e37_79b9_7f4a_7c15);
    bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    bits ^ (bits >> 31)
}

/// Roughly Gaussian with unit variance from 32 random bits: four bytes added up.
pub(super) fn cheap_normal(bits: u32) -> f32 {
    let sum = (bits & 255) + ((bits >> 8) & 255) + ((bits >> 16) & 255) + (bits >> 24);
    // four uniform bytes: mean 510, variance 4 · (256² − 1) / 12
    (sum as f32 - 510.0) / 147.8
}

/// Gaussian wander of unit standard deviation, smooth over `correlation` steps, `count` long.
pub(super) fn wander(dice: &mut Dice, count: usize, correlation: f64) -> Vec<f32> {
    let spacing = correlation.max(1.0);
    let knots: Vec<f64> = (0..(count as f64 / spacing) as usize + 5).map(|_| dice.normal(1.0)).collect();
    let phase = dice.between(0.0, 1.0);
    (0..count)
        .map(|index| {
            let place = index as f64 / spacing + phase;
            let [knot, share] = [place.floor(), place - place.floor()];
            // uniform cubic B-spline; its weights' mean square over a cell is 151/315 (by integration)
            let weights = [
                (1.0 - share).powi(3) / 6.0,
                (3.0 * share.powi(3) - 6.0 * share.powi(2) + 4.0) / 6.0,
                (-3.0 * share.powi(3) + 3.0 * share.powi(2) + 3.0 * share + 1.0) / 6.0,
                share.powi(3) / 6.0,
            ];
            let sum: f64 = weights.iter().zip(&knots[knot as usize..]).map(|(weight, value)| weight * value).sum();
            (sum / (151.0_f64 / 315.0).sqrt()) as f32
        })
        .collect()
}

/// A texture that repeats in both directions, looked up in millimetres.
#[derive(Debug, Clone)]
pub(super) struct Tile {
    columns: usize,
    rows: usize,
    cell_mm: [f64; 2],
    cells: Vec<f32>,
}

impl Tile {
    /// A tile of `columns × rows` cells (powers of two) of the given size, its values from `value(u, v)` in cells.
    pub(super) fn from_fn(
        columns: usize,
        rows: usize,
        cell_mm: [f64; 2],
        value: impl Fn(usize, usize) -> f32 + Sync,
    ) -> Self {
        use rayon::prelude::*;
        assert!(columns.is_power_of_two() && rows.is_power_of_two(), "places are wrapped by masking");
        let cells = (0..columns * rows)
            .into_par_iter()
            .with_min_len(4096)
            .map(|index| value(index % columns, index / columns))
            .collect();
        Self { columns, rows, cell_mm, cells }
    }

    /// Bilinear value at a place in millimetres along and across the grain.
    pub(super) fn at(&self, along_mm: f64, across_mm: f64) -> f32 {
        let [u, v] = [along_mm / self.cell_mm[0], across_mm / self.cell_mm[1]];
        // By hand: without SSE 4.1, which a plain build does not assume, `floor` is a call.
        let floor = |place: f64| (place as i64) - i64::from(place < 0.0);
        let [floor_u, floor_v] = [floor(u), floor(v)];
        let [share_u, share_v] = [(u - floor_u as f64) as f32, (v - floor_v as f64) as f32];
        // Both sizes are powers of two, so that wrapping round is masking.
        let column = floor_u as usize & (self.columns - 1);
        let row = floor_v as usize & (self.rows - 1);
        let [next_column, next_row] = [(column + 1) & (self.columns - 1), (row + 1) & (self.rows - 1)];
        let upper = &self.cells[row * self.columns..];
        let lower = &self.cells[next_row * self.columns..];
        let top = upper[column] + share_u * (upper[next_column] - upper[column]);
        let bottom = lower[column] + share_u * (lower[next_column] - lower[column]);
        top + share_v * (bottom - top)
    }
}

/// Smooth lattice noise between -1 and 1 with a period of `periods` lattice cells.
pub(super) fn lattice(seed: u64, u: f64, v: f64, periods: [usize; 2]) -> f32 {
    let corner = |column: i64, row: i64| {
        let column = column.rem_euclid(periods[0] as i64) as u64;
        let row = row.rem_euclid(periods[1] as i64) as u64;
        (mix(seed ^ (column << 32) ^ row) >> 40) as f32 / 8_388_608.0 - 1.0
    };
    let [floor_u, floor_v] = [u.floor(), v.floor()];
    let ease = |share: f64| (share * share * (3.0 - 2.0 * share)) as f32;
    let [share_u, share_v] = [ease(u - floor_u), ease(v - floor_v)];
    let [column, row] = [floor_u as i64, floor_v as i64];
    let top = corner(column, row) * (1.0 - share_u) + corner(column + 1, row) * share_u;
    let bottom = corner(column, row + 1) * (1.0 - share_u) + corner(column + 1, row + 1) * share_u;
    top * (1.0 - share_v) + bottom * share_v
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wander_has_unit_spread_and_the_asked_correlation() {
        let values = wander(&mut Dice::new(3, 1), 200_000, 40.0);
        let mean_square = |lag: usize| {
            values.iter().zip(&values[lag..]).map(|(a, b)| f64::from(a * b)).sum::<f64>() / (values.len() - lag) as f64
        };
        assert!((mean_square(0) - 1.0).abs() < 0.05, "{}", mean_square(0));
        assert!(mean_square(20) > 0.8);
        assert!(mean_square(200).abs() < 0.1);
    }

    #[test]
    fn tile_repeats_and_passes_through_its_cells() {
        let tile = Tile::from_fn(8, 4, [0.5, 0.25], |u, v| (u * 10 + v) as f32);
        assert!((tile.at(1.0, 0.5) - 22.0).abs() < 1e-6);
        assert!((tile.at(1.0 + 4.0, 0.5 - 1.0) - 22.0).abs() < 1e-6);
    }
}

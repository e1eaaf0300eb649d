//! What the fitted curve leaves: the grain's scatter, or the shape of something that is no burned line.
//!
//! Grain strays from the curve over millimetres and to either side at random. A bone, the gap between two bowed boards or a pen
//! line pressed harder here and there strays slowly, over most of its length, because its width never was a beam's.

use nalgebra::{DMatrix, DVector};

use super::data::Data;

/// Half waves over the line's length that count as slow.
const SLOW_WAVES: usize = 7;

/// Slow part and its share from which the mark is no burned line; rendered lines of all materials reach a share of 0.77.
const SLOW_RMS: f64 = 0.02;
const SLOW_SHARE: f64 = 0.78;
/// Slow part that no line has, whatever else strays.
const MOST_SLOW_RMS: f64 = 0.074;

/// Size of what the curve leaves, in ln kerf.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Misfit {
    /// Root mean square of the slow part.
    pub slow_rms: f64,
    /// The slow part's share of all squares, 0 to 1.
    pub slow_share: f64,
}

impl Misfit {
    /// True where the shape is another than a burned line's.
    pub fn is_another_shape(&self) -> bool {
        (self.slow_share > SLOW_SHARE && self.slow_rms > SLOW_RMS) || self.slow_rms > MOST_SLOW_RMS
    }

    /// Of `residuals` (ln kerf, one for each of the data's positions): least squares of a constant and cosines of up to seven half
    /// waves over the line's length.
    pub fn of(data: &Data, residuals: &[f64]) -> Self {
        let [first, last] = data.range();
        let length = (last - first).max(f64::MIN_POSITIVE);
        let waves = DMatrix::from_fn(data.len(), SLOW_WAVES + 1, |i, k| {
            (std::f64::consts::PI * k as f64 * (data.position[i] - first) / length).cos()
        });
        let values = DVector::from_column_slice(residuals);
        let all = values.norm_squared();
        let slow = (waves.transpose() * &waves)
            .cholesky()
            .map_or(0.0, |normal| (&waves * normal.solve(&(waves.transpose() * &values))).norm_squared());
        Self {
            slow_rms: (slow / residuals.len().max(1) as f64).sqrt(),
            slow_share: if all > 0.0 { (slow / all).min(1.0) } else { 0.0 },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn data(count: usize) -> Data {
        let column = |value: f64| vec![value; count];
        let position = (0..count).map(|i| 0.25 * i as f64).collect();
        Data { position, ln_kerf: column(0.0), own: column(0.01), contrast: column(0.8) }
    }

    #[test]
    fn a_slow_wave_is_another_shape_and_a_fast_one_is_grain() {
        let data = data(400);
        let wave = |period_mm: f64| -> Vec<f64> {
            data.position.iter().map(|s| 0.05 * (std::f64::consts::TAU * s / period_mm).cos()).collect()
        };
        let slow = Misfit::of(&data, &wave(100.0));
        assert!(slow.slow_share > 0.99 && (slow.slow_rms - 0.05 / 2f64.sqrt()).abs() < 0.001, "{slow:?}");
        assert!(slow.is_another_shape());
        let fast = Misfit::of(&data, &wave(5.0));
        assert!(fast.slow_share < 0.01 && !fast.is_another_shape(), "{fast:?}");
    }

    #[test]
    fn nothing_left_is_no_other_shape() {
        let data = data(100);
        let none = Misfit::of(&data, &[0.0; 100]);
        assert_eq!(none, Misfit { slow_rms: 0.0, slow_share: 0.0 });
    }
}

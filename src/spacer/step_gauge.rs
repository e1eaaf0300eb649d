//! A staircase gauge cut from sheet: stood on its base it offers several thicknesses round the wanted one.

use super::error::SpacerError;
use super::wanted::{Wanted, length_in_range};

/// Lowest step that still carries a letter and a number, in mm.
const LOWEST_MM: f64 = 2.5;
/// Finest step that a cut edge can show, in mm (common practice, no source).
const FINEST_STEP_MM: f64 = 0.05;
/// Step where nothing says how sure the wanted thickness is, in mm.
const USUAL_STEP_MM: f64 = 0.2;

/// How the staircase is to look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StepGaugeOptions {
    /// Number of steps, 3 to 25; the middle one is the wanted thickness.
    pub steps: usize,
    /// From one step to the next, in mm; `None`: half the give or take, in twentieths of a millimetre, so that the
    /// staircase reaches well past what is wanted on both sides.
    pub step_mm: Option<f64>,
    /// Length of each tread, in mm: the nozzle's tip has to find room on it.
    pub tread_mm: f64,
    /// Width of the cut, in mm: half of it is added all round.
    pub kerf_mm: f64,
}

impl Default for StepGaugeOptions {
    fn default() -> Self {
        Self { steps: 7, step_mm: None, tread_mm: 14.0, kerf_mm: 0.0 }
    }
}

/// One step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Engraved on it: A is the lowest.
    pub letter: char,
    /// Above the base, as designed, in mm.
    pub height_mm: f64,
    /// From the left end to where its tread begins, in mm.
    pub left_mm: f64,
}

/// A staircase that rises to the right. Lengths in mm of the finished piece, before half the kerf is added.
#[derive(Debug, Clone, PartialEq)]
pub struct StepGauge {
    /// Lowest first.
    pub steps: Vec<Step>,
    /// From one step to the next.
    pub step_mm: f64,
    /// Length of each tread.
    pub tread_mm: f64,
    /// Width of the cut.
    pub kerf_mm: f64,
}

impl StepGauge {
    /// A staircase round the wanted thickness.
    ///
    /// # Errors
    /// An option out of range, named by its flag, or a staircase whose lowest step would be too low.
    pub fn new(wanted: &Wanted, options: &StepGaugeOptions) -> Result<Self, SpacerError> {
        if !(3..=25).contains(&options.steps) {
            return Err(SpacerError::ShareOutOfRange {
                field: "--steps".to_owned(),
                value: options.steps as f64,
                least: 3.0,
                most: 25.0,
            });
        }
        let step_mm = options.step_mm.unwrap_or_else(|| usual_step(wanted));
        length_in_range("--step-mm", step_mm)?;
        length_in_range("--tread-mm", options.tread_mm)?;
        let most_kerf = options.tread_mm / 4.0;
        if !(0.0..=most_kerf).contains(&options.kerf_mm) {
            return Err(SpacerError::ShareOutOfRange {
                field: "--kerf".to_owned(),
                value: options.kerf_mm,
                least: 0.0,
                most: most_kerf,
            });
        }
        let middle = (options.steps / 2) as f64;
        let lowest_mm = wanted.spacer.value - middle * step_mm;
        if lowest_mm < LOWEST_MM {
            return Err(SpacerError::StepTooLow { lowest_mm, least_mm: LOWEST_MM });
        }
        let step = |(index, letter): (usize, char)| Step {
            letter,
            height_mm: wanted.spacer.value + (index as f64 - middle) * step_mm,
            left_mm: index as f64 * options.tread_mm,
        };
        Ok(Self {
            steps: ('A'..='Z').take(options.steps).enumerate().map(step).collect(),
            step_mm,
            tread_mm: options.tread_mm,
            kerf_mm: options.kerf_mm,
        })
    }

    /// Length along the base.
    pub fn length_mm(&self) -> f64 {
        self.steps.len() as f64 * self.tread_mm
    }

    /// Height of the highest step.
    pub fn height_mm(&self) -> f64 {
        self.steps.last().map_or(0.0, |step| step.height_mm)
    }

    /// Where the beam's centre goes to leave a piece of the right size: closed, from the base's left end to the right
    /// and round, y up. Half the kerf lies outside the piece everywhere.
    pub fn path_mm(&self) -> Vec<[f64; 2]> {
        let out = self.kerf_mm / 2.0;
        let right = self.length_mm() + out;
        let mut path = vec![[-out, -out], [right, -out]];
        let mut from = right;
        for step in self.steps.iter().rev() {
            let [top, left] = [step.height_mm + out, step.left_mm - out];
            path.extend([[from, top], [left, top]]);
            from = left;
        }
        path
    }
}

fn usual_step(wanted: &Wanted) -> f64 {
    let expanded = wanted.spacer.expanded();
    if expanded <= 0.0 {
        return USUAL_STEP_MM;
    }
    (expanded / 2.0 / FINEST_STEP_MM - 1e-9).ceil().max(2.0) * FINEST_STEP_MM
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::Estimate;

    fn wanted(mm: f64, u: f64) -> Wanted {
        Wanted::typed(Estimate::new(mm, u)).unwrap()
    }

    #[test]
    fn the_steps_surround_the_wanted_thickness() {
        let gauge = StepGauge::new(&wanted(8.0, 0.125), &StepGaugeOptions::default()).unwrap();
        let heights: Vec<f64> = gauge.steps.iter().map(|step| (step.height_mm * 100.0).round() / 100.0).collect();
        assert_eq!(heights, [7.55, 7.7, 7.85, 8.0, 8.15, 8.3, 8.45]);
        assert_eq!(gauge.steps.iter().map(|step| step.letter).collect::<String>(), "ABCDEFG");
        // as far as the give or take on both sides, and further
        assert!(heights[0] < 8.0 - 0.25 && heights[6] > 8.0 + 0.25);
    }

    #[test]
    fn the_cut_leaves_the_piece_its_size() {
        let options = StepGaugeOptions { kerf_mm: 0.2, steps: 3, step_mm: Some(0.5), ..StepGaugeOptions::default() };
        let gauge = StepGauge::new(&wanted(8.0, 0.0), &options).unwrap();
        let path = gauge.path_mm();
        #[rustfmt::skip]
        let expected = [
            [-0.1, -0.1], [42.1, -0.1], [42.1, 8.6], [27.9, 8.6], [27.9, 8.1], [13.9, 8.1], [13.9, 7.6], [-0.1, 7.6],
        ];
        assert_eq!(path.len(), expected.len());
        for (place, right) in path.iter().zip(expected) {
            assert!((place[0] - right[0]).abs() < 1e-9 && (place[1] - right[1]).abs() < 1e-9, "{path:?}");
        }
    }

    #[test]
    fn limits_name_their_flag() {
        let told =
            |options: StepGaugeOptions, mm: f64| StepGauge::new(&wanted(mm, 0.0), &options).unwrap_err().to_string();
        let usual = StepGaugeOptions::default();
        assert!(told(StepGaugeOptions { steps: 2, ..usual }, 8.0).contains("--steps is 2"));
        assert!(told(StepGaugeOptions { step_mm: Some(0.0), ..usual }, 8.0).contains("--step-mm is 0"));
        assert!(told(StepGaugeOptions { kerf_mm: 9.0, ..usual }, 8.0).contains("--kerf is 9"));
        assert!(told(StepGaugeOptions { tread_mm: f64::NAN, ..usual }, 8.0).contains("--tread-mm is NaN"));
        assert!(told(usual, 3.0).contains("lowest step would be 2.40 mm"));
    }
}

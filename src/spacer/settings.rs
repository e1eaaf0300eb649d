//! What to set for the work at hand: engraving with the focus on the surface, cutting with it sunk below.

use super::error::SpacerError;
use super::wanted::{Wanted, length_in_range};
use crate::estimate::Estimate;

/// Below this gap, in mm, tipped-up parts and warped sheet will hit the nozzle (common practice, no source).
pub const SMALL_GAP_MM: f64 = 2.5;
/// Sheet thicknesses that shops cut, in mm (common practice, no source).
pub const USUAL_THICKNESSES_MM: [f64; 9] = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0];

/// How the focus is set for a cut.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SettingOptions {
    /// How far below the surface the focus lies, as a fraction of the thickness, 0 to 1.
    ///
    /// Default 0.3: for cutting non-metals the best focus lies at the surface or up to about 30 % below it (*Process
    /// Fundamentals of Industrial Laser Welding and Cutting*, 4.6.4, p. 76). One half is common practice too, with no
    /// source.
    pub sunk_fraction: f64,
}

impl Default for SettingOptions {
    fn default() -> Self {
        Self { sunk_fraction: 0.3 }
    }
}

/// What is done to the work.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Work {
    /// Focus on the surface.
    Engrave,
    /// Focus below the surface.
    Cut {
        /// Of the sheet, in mm, taken as exact.
        thickness_mm: f64,
    },
}

/// One setting.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Setting {
    /// For what.
    pub work: Work,
    /// How far below the work's surface the focus lies, in mm.
    pub sunk_mm: f64,
    /// Gap from nozzle tip to the work's surface, in mm: the block to use. Zero or less where the nozzle would touch.
    pub gap: Estimate,
}

impl Setting {
    /// True where something that stands up could hit the nozzle.
    pub fn is_small(&self) -> bool {
        self.gap.value < SMALL_GAP_MM
    }

    /// The setting, where it leaves a gap at all.
    ///
    /// # Errors
    /// The nozzle would touch the work.
    pub fn usable(&self) -> Result<&Self, SpacerError> {
        match self.work {
            Work::Cut { thickness_mm } if self.gap.value <= 0.0 => {
                Err(SpacerError::NozzleTouches { thickness_mm, sunk_mm: self.sunk_mm, gap_mm: self.gap.value })
            }
            _ => Ok(self),
        }
    }
}

/// Engraving first, then a cut for each thickness in mm, in their order.
///
/// # Errors
/// A fraction outside 0 to 1, or a thickness that is not above zero and at most a metre. A cut for which the nozzle
/// would touch is no error here: see [`Setting::usable`].
///
/// ```
/// use narrows::estimate::Estimate;
/// use narrows::spacer::{SettingOptions, Wanted, settings};
/// let wanted = Wanted::typed(Estimate::new(8.0, 0.1))?;
/// let [engrave, cut] = settings(&wanted, &[3.0], &SettingOptions::default())?[..] else { unreachable!() };
/// assert_eq!(engrave.gap.value, 8.0);
/// assert!((cut.gap.value - 7.1).abs() < 1e-12);
/// # Ok::<(), narrows::spacer::SpacerError>(())
/// ```
pub fn settings(
    wanted: &Wanted,
    thicknesses_mm: &[f64],
    options: &SettingOptions,
) -> Result<Vec<Setting>, SpacerError> {
    let fraction = options.sunk_fraction;
    if !(0.0..=1.0).contains(&fraction) {
        return Err(SpacerError::ShareOutOfRange {
            field: "--sunk-fraction".to_owned(),
            value: fraction,
            least: 0.0,
            most: 1.0,
        });
    }
    let mut settings = vec![Setting { work: Work::Engrave, sunk_mm: 0.0, gap: wanted.spacer }];
    for &thickness_mm in thicknesses_mm {
        length_in_range("--thickness-mm", thickness_mm)?;
        let sunk_mm = fraction * thickness_mm;
        let gap = Estimate::new(wanted.spacer.value - sunk_mm, wanted.spacer.standard_uncertainty);
        settings.push(Setting { work: Work::Cut { thickness_mm }, sunk_mm, gap });
    }
    Ok(settings)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cut(spacer: f64, thickness: f64, sunk_fraction: f64) -> Setting {
        let wanted = Wanted::typed(Estimate::new(spacer, 0.1)).unwrap();
        settings(&wanted, &[thickness], &SettingOptions { sunk_fraction }).unwrap()[1]
    }

    #[test]
    fn a_cut_takes_its_share_of_the_thickness_off_the_gap() {
        let setting = cut(8.0, 6.0, 0.5);
        assert_eq!((setting.sunk_mm, setting.gap), (3.0, Estimate::new(5.0, 0.1)));
        assert_eq!(cut(8.0, 6.0, 0.0).gap.value, 8.0);
    }

    #[test]
    fn small_and_touching_gaps_are_told_at_their_limits() {
        assert!(!cut(5.0, 5.0, 0.5).is_small()); // 2.5 exactly
        assert!(cut(4.9, 5.0, 0.5).is_small());
        assert!(cut(2.6, 5.0, 0.5).usable().is_ok());
        assert!(matches!(cut(2.5, 5.0, 0.5).usable(), Err(SpacerError::NozzleTouches { .. }))); // 0 exactly
        assert!(matches!(cut(2.0, 5.0, 0.5).usable(), Err(SpacerError::NozzleTouches { .. })));
    }

    #[test]
    fn shares_and_thicknesses_that_cannot_be_name_their_flag() {
        let wanted = Wanted::typed(Estimate::new(8.0, 0.1)).unwrap();
        for sunk_fraction in [-0.1, 1.1, f64::NAN] {
            let error = settings(&wanted, &[], &SettingOptions { sunk_fraction }).unwrap_err();
            assert!(error.to_string().contains("--sunk-fraction"), "{error}");
        }
        let error = settings(&wanted, &[0.0], &SettingOptions::default()).unwrap_err();
        assert!(error.to_string().contains("--thickness-mm"), "{error}");
    }
}

//! Coded index marks burned across the line's two sides.

/// The 31-bit maximal-length sequence of x⁵ + x² + 1 from all ones, by running its shift register.
pub fn mark_code() -> [bool; 31] {
    let mut bits = [true; 31];
    // a[n+5] = a[n] + a[n+2]: the polynomial's recurrence
    for index in 5..31 {
        bits[index] = bits[index - 5] ^ bits[index - 3];
    }
    bits
}

/// A row of index marks: mark `i` at head travel `i × pitch`, from 0 to the datums' travel.
#[derive(Debug, Clone, PartialEq)]
pub struct MarkRow {
    /// Pitch in head travel, mm.
    pub pitch_mm: f64,
    /// Number of the last mark.
    pub last: usize,
    /// Overdrive of the marks relative to the line's.
    pub strength: f64,
    /// Chance of a mark being absent altogether.
    pub missing: f64,
    /// Chance of a mark being pale.
    pub faint: f64,
    /// Chance of a mark being smeared along the strip.
    pub smeared: f64,
    /// Marks burned where none belongs: `s` of each.
    pub false_at_mm: Vec<f64>,
}

/// What became of one mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MarkState {
    /// As it should be.
    Clean,
    /// Not there.
    Missing,
    /// Pale.
    Faint,
    /// Smeared.
    Smeared,
}

/// Distance of a mark's halves from the line, mm: inner end, outer end, outer end of a short right half.
pub const MARK_REACH_MM: [f64; 3] = [6.0, 12.0, 9.0];

impl MarkRow {
    /// The state of every mark for a seed.
    pub fn states(&self, seed: u64) -> Vec<MarkState> {
        let mut dice = super::noise::Dice::new(seed, 11);
        (0..=self.last)
            .map(|_| {
                let roll = dice.between(0.0, 1.0);
                if roll < self.missing {
                    MarkState::Missing
                } else if roll < self.missing + self.faint {
                    MarkState::Faint
                } else if roll < self.missing + self.faint + self.smeared {
                    MarkState::Smeared
                } else {
                    MarkState::Clean
                }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn register_gives_the_published_sequence() {
        let text: String = mark_code().iter().map(|&bit| if bit { '1' } else { '0' }).collect();
        assert_eq!(text, "1111100011011101010000100101100");
    }
}

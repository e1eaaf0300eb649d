//! Pictures that hold no answer, or none that anybody should trust.

use super::draw::{CaptureKind, DatumKind, Stratum};
use super::material::Material;
use super::noise::Dice;
use super::scene::{Background, Capture, Clutter, LineKind, Scene};

/// A kind of picture that must not be given a confident wrong number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Trap {
    /// Only grain and whatever else lies about.
    NoLine,
    /// A pencil line and no burned one.
    PencilOnly,
    /// A rule beside a blank strip.
    RuleOnly,
    /// A joint running along a blank strip.
    JointOnly,
    /// A sharp shadow's edge along a blank strip.
    ShadowOnly,
    /// A pen line of constant width.
    Pen,
    /// Two burned lines.
    TwoLines,
    /// Both ends faded out, and the ends are the datum.
    FadedEnds,
    /// One end of the line outside the picture, and the ends are the datum.
    LeavesPicture,
    /// One end of the line beyond the strip's, and the ends are the datum.
    LeavesStrip,
    /// Burned through about the focus: the white lid shows.
    BurntThrough,
    /// A pulsed source.
    Dotted,
    /// The focus lies beyond one end.
    OffEnd,
    /// The ramp rises by less than a Rayleigh range.
    TooFlat,
    /// Out of focus: the picture's, not the beam's.
    Blurred,
    /// A band filled by scanning.
    Filled,
    /// A wedge.
    Taper,
    /// Overdrive below √e: widest at the focus.
    Weak,
}

impl Trap {
    /// All of them.
    pub const ALL: [Self; 18] = [
        Self::NoLine,
        Self::PencilOnly,
        Self::RuleOnly,
        Self::JointOnly,
        Self::ShadowOnly,
        Self::Pen,
        Self::TwoLines,
        Self::FadedEnds,
        Self::LeavesPicture,
        Self::LeavesStrip,
        Self::BurntThrough,
        Self::Dotted,
        Self::OffEnd,
        Self::TooFlat,
        Self::Blurred,
        Self::Filled,
        Self::Taper,
        Self::Weak,
    ];

    /// Whether any number at all is wrong. For the others a truth exists, and only a number far from it is wrong.
    pub const fn forbids_any_number(self) -> bool {
        !matches!(self, Self::TooFlat | Self::Blurred)
    }
}

impl Scene {
    /// A scene that is a trap of the given kind, the same for the same seed.
    pub fn trap(trap: Trap, seed: u64) -> Self {
        let mut dice = Dice::new(seed, 61);
        let dice = &mut dice;
        let capture = if dice.chance(0.6) { CaptureKind::Scan } else { CaptureKind::Photo };
        // Given points leave the line itself to be judged; with other datums many a trap fails for want of a tie first.
        let datum =
            dice.pick(&[DatumKind::Ends, DatumKind::Strip, DatumKind::Points, DatumKind::Points, DatumKind::Marks]);
        let stratum = match trap {
            Trap::FadedEnds | Trap::LeavesStrip => Stratum { capture, datum: DatumKind::Ends },
            Trap::LeavesPicture => Stratum { capture: CaptureKind::Photo, datum: DatumKind::Ends },
            Trap::BurntThrough => Stratum { capture: CaptureKind::Scan, datum },
            _ => Stratum { capture, datum },
        };
        let mut scene = Self::draw(stratum, dice.seed());
        scene.spring(trap, dice);
        scene
    }

    fn spring(&mut self, trap: Trap, dice: &mut Dice) {
        let span = self.ramp.span_mm();
        let [low, high] = self.strip.ends_mm;
        match trap {
            Trap::NoLine => self.line.kind = LineKind::Absent,
            Trap::PencilOnly => {
                self.line.kind = LineKind::Absent;
                let tilt = dice.normal(0.5);
                self.clutter.push(Clutter::Pencil {
                    from_mm: [self.line.start_mm, -tilt],
                    to_mm: [self.line.stop_mm, tilt],
                    width_mm: dice.between(0.25, 0.7),
                    depth: dice.between(0.35, 0.75),
                });
            }
            Trap::RuleOnly => {
                self.line.kind = LineKind::Absent;
                self.clutter
                    .push(Clutter::Rule { edge_mm: self.strip.sides_mm[0] - 0.5, tick_mm: dice.between(2.5, 5.0) });
            }
            Trap::JointOnly => {
                self.line.kind = LineKind::Absent;
                self.clutter.push(Clutter::Joint {
                    through_mm: [0.0, dice.normal(2.0)],
                    angle_deg: dice.normal(0.5),
                    width_mm: dice.between(0.1, 0.5),
                    tone: dice.between(0.85, 1.15),
                });
            }
            Trap::ShadowOnly => {
                self.line.kind = LineKind::Absent;
                self.clutter.push(Clutter::Shade {
                    through_mm: [0.5 * span, dice.normal(2.0)],
                    angle_deg: dice.normal(2.0) + if dice.chance(0.5) { 180.0 } else { 0.0 },
                    softness_mm: dice.between(0.4, 2.0),
                    depth: dice.between(0.3, 0.6),
                });
            }
            Trap::Pen => self.line.kind = LineKind::Pen { width_mm: dice.between(0.2, 0.9) },
            Trap::TwoLines => self.line.second_at_mm = Some(dice.sign() * dice.between(2.0, 5.5)),
            Trap::FadedEnds => {
                // Halfway between the focus and the nearer end the peak is at the threshold.
                let reach = self.defocus_of_nearer_end();
                self.burn.overdrive = (0.5 * reach).max(1.75);
            }
            Trap::LeavesPicture => {
                if let Capture::Photo { aim_mm, .. } = &mut self.capture {
                    aim_mm[0] += dice.sign() * dice.between(0.12, 0.2) * (high - low);
                }
                // However far that is, the nearer framing makes sure that an end is lost.
                for _ in 0..40 {
                    let truth = self.truth();
                    let inside = truth.datum_px.iter().all(|place| {
                        (0..2).all(|axis| place[axis] > -4.0 && place[axis] < truth.size_px[axis] as f64 + 4.0)
                    });
                    if !inside {
                        break;
                    }
                    if let Capture::Photo { distance_mm, .. } = &mut self.capture {
                        *distance_mm *= 0.96;
                    }
                }
            }
            Trap::LeavesStrip => {
                let beyond = dice.between(0.02, 0.12) * (self.line.stop_mm - self.line.start_mm);
                let [low, high] = &mut self.strip.ends_mm;
                if dice.chance(0.5) {
                    *low = self.line.start_mm + beyond;
                } else {
                    *high = self.line.stop_mm - beyond;
                }
            }
            Trap::BurntThrough => {
                self.strip.background = Background::White;
                self.burn.overdrive = self.burn.overdrive.max(12.0);
                self.burn.through_above = Some(self.burn.overdrive * dice.between(0.25, 0.6));
                if self.strip.material.marks_light() {
                    self.strip.material = Material::BirchPly;
                }
            }
            Trap::Dotted => {
                self.line.kind = LineKind::Dotted { pitch_mm: dice.between(0.5, 2.0), duty: dice.between(0.35, 0.7) };
            }
            Trap::OffEnd => {
                let beyond = dice.between(0.1, 0.4);
                let share = if dice.chance(0.5) { -beyond } else { 1.0 + beyond };
                let lead = 4.0 / self.ramp.travel_mm + 0.06;
                let share = if share < 0.0 { share - lead } else { share + lead };
                self.ramp.focus_height_mm = self.ramp.low_height_mm + share * self.ramp.rise_mm();
                // Strong enough that there is a line to look at.
                self.burn.overdrive = self.burn.overdrive.max(25.0);
            }
            Trap::TooFlat => {
                let rise_mm = self.beam.paraxial_rayleigh_mm() * dice.between(0.3, 0.7);
                let share = dice.between(0.4, 0.6);
                let focus = self.ramp.focus_height_mm;
                self.ramp.low_height_mm = focus - share * rise_mm;
                self.ramp.high_height_mm = focus + (1.0 - share) * rise_mm;
                self.ramp.bow_mm *= 0.2;
            }
            Trap::Blurred => {
                let kerf_px = self.truth().waist.map_or(6.0, |waist| waist.kerf_px);
                self.sensor.blur_px = (kerf_px * dice.between(1.5, 3.0)).min(40.0);
                self.sensor.sharpening = 0.0;
            }
            Trap::Filled => {
                self.line.kind =
                    LineKind::Filled { width_mm: dice.between(1.5, 5.0), interval_mm: dice.between(0.1, 0.2) };
            }
            Trap::Taper => {
                let [narrow, wide] = [dice.between(0.15, 0.4), dice.between(0.8, 2.0)];
                let widths_mm = if dice.chance(0.5) { [narrow, wide] } else { [wide, narrow] };
                self.line.kind = LineKind::Taper { widths_mm };
            }
            Trap::Weak => self.burn.overdrive = dice.between(1.25, 1.6),
        }
    }

    /// Defocus in Rayleigh ranges of the line's end that is nearer to the focus in height.
    fn defocus_of_nearer_end(&self) -> f64 {
        [self.line.start_mm, self.line.stop_mm]
            .map(|s| self.beam.defocus(self.ramp.height_at(s) - self.ramp.focus_height_mm).abs())
            .into_iter()
            .fold(f64::MAX, f64::min)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn traps_without_a_number_have_no_answer_by_their_truth() {
        for trap in Trap::ALL {
            for seed in 0..2 {
                let truth = Scene::trap(trap, seed).truth();
                // A slot, or a joint, is not something the truth knows; the rest it must see by itself.
                if trap != Trap::BurntThrough {
                    assert!(!truth.is_answerable(), "{trap:?} {seed}: {truth:#?}");
                }
            }
        }
    }
}

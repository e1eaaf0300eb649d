//! Everything that decides a rendered picture, as plain public fields.
//!
//! Surface coordinates: `s` along the strip from the low datum (mm, on the surface), `y` across it, positive to the
//! left as seen from the low end to the high end. Heights are of the strip's top surface above one flat reference.

use std::sync::Arc;

use super::beam::Beam;
use super::marks::MarkRow;
use super::material::{Material, Picture};
use super::sweep::StrokeEnd;

/// A ramp test and the picture taken of it.
#[derive(Debug, Clone)]
pub struct Scene {
    /// Seed of everything random in it: grain, noise, wobble.
    pub seed: u64,
    /// The focused beam.
    pub beam: Beam,
    /// The incline.
    pub ramp: RampScene,
    /// How it was burned.
    pub burn: Burn,
    /// The strokes on the strip.
    pub line: LineScene,
    /// The piece of material.
    pub strip: StripScene,
    /// What ties the picture to the ramp.
    pub datum: DatumScene,
    /// Things that are not the line.
    pub clutter: Vec<Clutter>,
    /// Scanner or camera.
    pub capture: Capture,
    /// Blur, noise and light.
    pub sensor: Sensor,
    /// The file.
    pub output: Output,
}

/// The incline as it really was, datum to datum. Millimetres.
#[derive(Debug, Clone, PartialEq)]
pub struct RampScene {
    /// Level head travel between the datums.
    pub travel_mm: f64,
    /// Height of the strip's top at the low datum.
    pub low_height_mm: f64,
    /// Height at the high datum.
    pub high_height_mm: f64,
    /// By how much the strip's top stands above the straight ramp at half the travel.
    pub bow_mm: f64,
    /// Height of the beam's paraxial focus above the same reference.
    pub focus_height_mm: f64,
    /// Height of the nozzle tip above the same reference.
    pub nozzle_height_mm: f64,
}

impl RampScene {
    /// Rise between the datums.
    pub fn rise_mm(&self) -> f64 {
        self.high_height_mm - self.low_height_mm
    }

    /// Distance between the datums along the surface.
    pub fn span_mm(&self) -> f64 {
        self.travel_mm.hypot(self.rise_mm())
    }

    /// Height of the surface at `s`.
    pub fn height_at(&self, s: f64) -> f64 {
        let t = s / self.span_mm();
        self.low_height_mm + self.rise_mm() * t + self.bow_mm * 4.0 * t * (1.0 - t)
    }
}

/// How the beam marks. Lengths in millimetres.
#[derive(Debug, Clone, PartialEq)]
pub struct Burn {
    /// Peak over threshold where that peak is highest.
    pub overdrive: f64,
    /// Standard deviation of the lateral heat spread.
    pub heat_spread_mm: f64,
    /// Relative standard deviation of the kerf's wander with the grain, both edges together.
    pub kerf_wander: f64,
    /// Relative standard deviation of each edge's own wander.
    pub edge_wander: f64,
    /// Distance over which the wander stays alike.
    pub wander_length_mm: f64,
    /// Standard deviation of each edge's raggedness.
    pub raggedness_mm: f64,
    /// Half the width over which the core passes into the brown edge.
    pub edge_softness_mm: f64,
    /// Darkening of the brown edge next to the core, 0 to 1.
    pub brown_depth: f64,
    /// Distance over which the brown edge falls to 1/e.
    pub brown_width_mm: f64,
    /// Darkening of the soot stain, 0 to 1.
    pub soot_depth: f64,
    /// Standard deviation of the soot stain across the line.
    pub soot_width_mm: f64,
    /// How far the air blew the stain to the left (negative: right).
    pub soot_shift_mm: f64,
    /// Overdrive above which the strip is burned through and what lies behind shows.
    pub through_above: Option<f64>,
}

/// The long stroke, or what stands in for it.
#[derive(Debug, Clone, PartialEq)]
pub struct LineScene {
    /// What kind of line it is.
    pub kind: LineKind,
    /// Where the beam's centre started, `s`.
    pub start_mm: f64,
    /// Where it stopped.
    pub stop_mm: f64,
    /// How it began and ended.
    pub ends: [StrokeEnd; 2],
    /// Standard deviation of the slow lateral wander of the head.
    pub wobble_mm: f64,
    /// Amplitude and period along the strip of a periodic lateral wobble (belt, wheel).
    pub periodic: Option<[f64; 2]>,
    /// Offset of a second burned line to the left (negative: right), where there is one.
    pub second_at_mm: Option<f64>,
}

/// What kind of line is on the strip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum LineKind {
    /// One stroke of the beam.
    Burned,
    /// Nothing.
    Absent,
    /// A pen of constant width (mm).
    Pen {
        /// Its width.
        width_mm: f64,
    },
    /// Pulsed: dots at a pitch along the strip, burning a share of it.
    Dotted {
        /// Distance between dots.
        pitch_mm: f64,
        /// Share of the pitch that is burned, 0 to 1.
        duty: f64,
    },
    /// Filled by scanning: many strokes side by side.
    Filled {
        /// Width of the band.
        width_mm: f64,
        /// Distance between strokes.
        interval_mm: f64,
    },
    /// A wedge whose width grows linearly from one end to the other.
    Taper {
        /// Widths at the start and the stop.
        widths_mm: [f64; 2],
    },
}

/// The piece of material. Lengths in millimetres.
#[derive(Debug, Clone)]
pub struct StripScene {
    /// What it is made of.
    pub material: Material,
    /// A photographed surface in place of the procedural one.
    pub picture: Option<Arc<Picture>>,
    /// Angle of the grain against the strip.
    pub grain_deg: f64,
    /// Turn of its outline about the low datum against the line, degrees, low end to high end swinging left.
    pub skew_deg: f64,
    /// Its short edges, `s` along its own axis.
    pub ends_mm: [f64; 2],
    /// Its long edges, `y`: right (negative), left.
    pub sides_mm: [f64; 2],
    /// What lies behind it.
    pub background: Background,
    /// Width of its shadow, which falls to the right and the high end where positive, to the left and the low end where negative.
    pub shadow_mm: f64,
    /// Depth of that shadow, 0 to 1.
    pub shadow_depth: f64,
}

/// What lies behind the strip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Background {
    /// A white scanner lid or sheet.
    White,
    /// Black paper.
    Black,
    /// A grey cutting mat or table top.
    Grey,
    /// A bench of some wood.
    Bench(Material),
}

impl Background {
    /// Mean reflectance in linear light.
    pub fn reflectance(self) -> f32 {
        match self {
            Self::White => 0.86,
            Self::Black => 0.014,
            Self::Grey => 0.20,
            Self::Bench(material) => material.reflectance(),
        }
    }
}

/// What ties the picture to the ramp; see the setup file's `datum`.
#[derive(Debug, Clone, PartialEq)]
pub enum DatumScene {
    /// The line's ends: `line.start_mm` is 0 and `line.stop_mm` the span.
    Ends,
    /// The strip's short edges: `strip.ends_mm` is 0 and the span.
    Strip,
    /// Two places on the line, head travel from the low datum, and the standard deviation of each pixel coordinate given.
    Points {
        /// Head travel of the two.
        travel_mm: [f64; 2],
        /// Standard deviation of each coordinate.
        u_px: f64,
    },
    /// Index marks.
    Marks(MarkRow),
}

/// Something that is not the line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Clutter {
    /// A pencil stroke between two surface places, with its width and darkening (0 to 1).
    Pencil {
        /// From `[s, y]`.
        from_mm: [f64; 2],
        /// To `[s, y]`.
        to_mm: [f64; 2],
        /// Its width.
        width_mm: f64,
        /// Its darkening.
        depth: f64,
    },
    /// A joint between two boards: a dark gap through a place at an angle to the strip, and a change of tone behind it.
    Joint {
        /// A place on it.
        through_mm: [f64; 2],
        /// Its direction against the strip's.
        angle_deg: f64,
        /// Width of the gap.
        width_mm: f64,
        /// Reflectance behind it relative to before it.
        tone: f64,
    },
    /// A knot.
    Knot {
        /// Its centre.
        at_mm: [f64; 2],
        /// Its radius.
        radius_mm: f64,
        /// Its darkening.
        depth: f64,
    },
    /// A rule with millimetre ticks lying along the strip, outside it: its nearer edge at `y`, reaching away from the line.
    Rule {
        /// `y` of the edge that carries the ticks.
        edge_mm: f64,
        /// Height of the longest ticks and of the rule.
        tick_mm: f64,
    },
    /// The edge of a shadow falling across the picture.
    Shade {
        /// A place on its edge.
        through_mm: [f64; 2],
        /// Direction of the edge against the strip's.
        angle_deg: f64,
        /// Width over which it sets in.
        softness_mm: f64,
        /// Its darkening.
        depth: f64,
    },
}

/// Scanner or camera.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Capture {
    /// A flatbed: a similarity, nearly.
    Scan {
        /// True pixels per inch along the picture's x and y.
        dpi: [f64; 2],
        /// Direction of the strip (low to high) in the picture, degrees clockwise from its x axis as seen.
        turn_deg: f64,
        /// Rim round the strip, or round `window_mm`.
        margin_mm: f64,
    },
    /// A camera over the strip: a homography with radial distortion.
    Photo {
        /// Width and height in pixels.
        size_px: [usize; 2],
        /// Focal length in pixels.
        focal_px: f64,
        /// Distance to the surface along the optical axis.
        distance_mm: f64,
        /// Surface place on the optical axis.
        aim_mm: [f64; 2],
        /// Direction of the strip in the picture, degrees clockwise from its x axis as seen.
        turn_deg: f64,
        /// Tilt about the picture's x and y axes.
        tilt_deg: [f64; 2],
        /// Radial distortion: relative displacement at the corner, positive outwards.
        distortion: f64,
    },
}

/// Blur, noise and light.
#[derive(Debug, Clone, PartialEq)]
pub struct Sensor {
    /// Standard deviation of the Gaussian blur, px, pixel area not included.
    pub blur_px: f64,
    /// Standard deviation of the noise that does not depend on light, relative to white.
    pub read_noise: f64,
    /// Standard deviation of the noise at white that grows with the root of the light.
    pub shot_noise: f64,
    /// Light at the picture's centre relative to white.
    pub exposure: f64,
    /// Relative change of light over half the picture's width and height.
    pub gradient: [f64; 2],
    /// Relative loss of light in the corners.
    pub vignette: f64,
    /// Strength of sharpening after encoding; 0: none.
    pub sharpening: f64,
    /// Radius (standard deviation, px) of the sharpening.
    pub sharpening_px: f64,
}

/// The file.
#[derive(Debug, Clone, PartialEq)]
pub struct Output {
    /// Container and its compression.
    pub format: Format,
    /// 16 bits a channel instead of 8; not for JPEG.
    pub is_deep: bool,
    /// One channel instead of three.
    pub is_grey: bool,
    /// Resolution written into the file, true or not.
    pub dpi_tag: Option<f64>,
    /// EXIF orientation: the stored pixels are turned so that this tag puts them upright. JPEG only; 1: none written.
    pub orientation: u8,
    /// Writes an exposure time and a focal length as cameras do. JPEG only.
    pub has_camera_tags: bool,
}

/// Container and compression.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// Baseline JPEG at a quality, 1 to 100.
    Jpeg(u8),
    /// PNG.
    Png,
    /// TIFF with deflate.
    Tiff,
}

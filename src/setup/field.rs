//! Every field of a setup, once: its section, its kind, and a line that says what it is.
//!
//! The file's reader, the flags of the program and the error messages all go through this one table,
//! so that a field cannot exist in one of them alone.

use std::fmt;

/// A section of the setup file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Section {
    /// `[ramp]`: the incline.
    Ramp,
    /// `[head]`: where the nozzle was.
    Head,
    /// `[burn]`: how the line was burned.
    Burn,
    /// `[picture]`: how the picture is to be read.
    Picture,
}

impl Section {
    /// All sections, in the order of the file.
    pub const ALL: [Self; 4] = [Self::Ramp, Self::Head, Self::Burn, Self::Picture];

    /// The name between the brackets.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Ramp => "ramp",
            Self::Head => "head",
            Self::Burn => "burn",
            Self::Picture => "picture",
        }
    }
}

impl fmt::Display for Section {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(formatter, "[{}]", self.name())
    }
}

/// What a field holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A length above zero; a bare number is millimetres.
    Length,
    /// A length, zero allowed.
    LengthOrZero,
    /// A number above zero, in the unit of the field's name.
    Number,
    /// A number, zero allowed.
    NumberOrZero,
    /// An angle in degrees, above 0 and below 90.
    Angle,
    /// A whole number above zero.
    Count,
    /// True or false.
    Claim,
    /// Any text.
    Text,
    /// One of a few words.
    Choice(&'static [&'static str]),
    /// Two pixel places, x and y of each.
    TwoPlaces,
    /// Two lengths, zero allowed.
    TwoLengths,
    /// A rectangle of pixels: x, y, width, height.
    Area,
}

impl Kind {
    /// What the field should hold, as an error says it.
    pub fn expectation(self) -> String {
        match self {
            Self::Length | Self::LengthOrZero => "a length: 7 or \"7 mm\"".to_owned(),
            Self::Number | Self::NumberOrZero => "a number".to_owned(),
            Self::Angle => "an angle in degrees".to_owned(),
            Self::Count => "a whole number above zero".to_owned(),
            Self::Claim => "true or false".to_owned(),
            Self::Text => "text in quotes".to_owned(),
            Self::Choice(words) => format!("one of {}", quoted_list(words)),
            Self::TwoPlaces => "two places [[x, y], [x, y]]".to_owned(),
            Self::TwoLengths => "two lengths [first, second]".to_owned(),
            Self::Area => "four numbers [x, y, width, height]".to_owned(),
        }
    }
}

/// Words in quotes, with commas between them.
pub(super) fn quoted_list(words: &[&str]) -> String {
    words.iter().map(|word| format!("\"{word}\"")).collect::<Vec<_>>().join(", ")
}

macro_rules! fields {
    ($($(#[doc = $doc:literal])+ $variant:ident = $name:literal, $section:ident, $kind:expr, $example:literal;)+) => {
        /// A field of the setup file, and the flag of the same name.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Field {
            $($(#[doc = $doc])+ $variant,)+
        }

        impl Field {
            /// Every field, in the order of the file.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)+];

            /// The name in the file.
            pub const fn name(self) -> &'static str {
                match self { $(Self::$variant => $name,)+ }
            }

            /// The section it belongs to.
            pub const fn section(self) -> Section {
                match self { $(Self::$variant => Section::$section,)+ }
            }

            /// What it holds.
            pub const fn kind(self) -> Kind {
                match self { $(Self::$variant => $kind,)+ }
            }

            /// What it is, in bench words.
            pub fn description(self) -> &'static str {
                match self { $(Self::$variant => concat!($($doc),+).trim(),)+ }
            }

            /// A value as one would type it after the flag.
            pub const fn example(self) -> &'static str {
                match self { $(Self::$variant => $example,)+ }
            }
        }
    };
}

fields! {
    /// Level head travel from the low end to the high end
    Travel = "travel_mm", Ramp, Kind::Length, "150";
    /// Strip's length along its surface, between its two short edges
    StripLength = "strip_length_mm", Ramp, Kind::Length, "190";
    /// Strip's width; with its length it takes a photograph's perspective out
    StripWidth = "strip_width_mm", Ramp, Kind::Length, "40";
    /// Height of the strip's top at the low end, from any flat reference
    LowHeight = "low_height_mm", Ramp, Kind::LengthOrZero, "3";
    /// Height of the strip's top at the high end, from the same reference
    HighHeight = "high_height_mm", Ramp, Kind::LengthOrZero, "18";
    /// Rise from the low end to the high end: the difference of their heights
    Rise = "rise_mm", Ramp, Kind::Length, "15";
    /// Angle of the incline, in degrees
    Incline = "incline_deg", Ramp, Kind::Angle, "5.7";
    /// Thickness of a block propped under the strip
    Prop = "prop_mm", Ramp, Kind::Length, "20";
    /// Level distance from the strip's toe to the prop's near edge
    PropAt = "prop_at_mm", Ramp, Kind::Length, "200";
    /// A ramp measured once and kept: a TOML file with incline_deg and incline_u_deg
    RampFile = "ramp_file", Ramp, Kind::Text, "north-ramp.toml";
    /// Height of the strip's top at half the travel; shows how much the strip bows
    MiddleHeight = "middle_height_mm", Ramp, Kind::LengthOrZero, "10.6";
    /// How sure the strip is straight: standard uncertainty of its bow at the middle (0.1 where absent)
    FlatnessU = "flatness_u_mm", Ramp, Kind::LengthOrZero, "0.1";
    /// What the lengths were measured with; sets how sure each is: caliper 0.1, rule 0.3 (where absent), blocks 0.05 mm
    MeasuredWith = "measured_with", Ramp, Kind::Choice(&["caliper", "rule", "blocks"]), "rule";
    /// Standard uncertainty of heights, rise, prop and nozzle height, in place of measured_with's
    HeightU = "height_u_mm", Ramp, Kind::LengthOrZero, "0.1";
    /// Standard uncertainty of the angle, in degrees (0.1 where absent)
    InclineU = "incline_u_deg", Ramp, Kind::NumberOrZero, "0.1";

    /// Gap from nozzle tip to strip with the head over the low end
    GapLow = "gap_low_mm", Head, Kind::LengthOrZero, "17";
    /// Gap from nozzle tip to strip with the head over the high end
    GapHigh = "gap_high_mm", Head, Kind::LengthOrZero, "2";
    /// Gap at half the travel; needs both other gaps
    MiddleGap = "middle_gap_mm", Head, Kind::LengthOrZero, "9.6";
    /// True where the gaps are blocks that just slid under the tip
    GapsByBlock = "gaps_by_block", Head, Kind::Claim, "true";
    /// Thickness of a block that just slid under the tip
    Block = "block_mm", Head, Kind::Length, "7";
    /// Head travel from the low end at which that block slid
    BlockAt = "block_at_mm", Head, Kind::LengthOrZero, "75";
    /// Diameter of the nozzle tip's flat face; a block on a slope touches its uphill rim first
    TipDiameter = "tip_diameter_mm", Head, Kind::LengthOrZero, "8";
    /// Height of the nozzle tip above the reference of the two heights
    NozzleHeight = "nozzle_height_mm", Head, Kind::LengthOrZero, "20";
    /// Standard uncertainty of gaps and blocks, in place of measured_with's
    GapU = "gap_u_mm", Head, Kind::LengthOrZero, "0.1";
    /// From the lens (its mount's reference) down to the nozzle tip; gives the focal distance
    LensToNozzle = "lens_to_nozzle_mm", Head, Kind::LengthOrZero, "41.8";
    /// Focal length printed on the lens
    NominalFocalLength = "nominal_focal_length_mm", Head, Kind::Length, "50.8";
    /// Today's block; gives the change
    SpacerInUse = "spacer_in_use_mm", Head, Kind::Length, "7";
    /// Where the block is put to gauge, printed with the answer
    GaugedFrom = "gauged_from", Head, Kind::Text, "nozzle tip";

    /// Material of the strip
    Material = "material", Burn, Kind::Text, "birch ply 3 mm";
    /// Power as the machine shows it
    Power = "power", Burn, Kind::Text, "20 %";
    /// Head speed, in mm/s
    Speed = "speed_mm_s", Burn, Kind::Number, "20";
    /// Number of passes
    Passes = "passes", Burn, Kind::Count, "1";
    /// Air assist on
    Air = "air", Burn, Kind::Claim, "true";
    /// Machine axis the line ran along
    RunAlong = "run_along", Burn, Kind::Text, "x";

    /// What ties the picture to the ramp: the line's ends (where absent), the strip's short edges, index marks, or two points
    Datum = "datum", Picture, Kind::Choice(&["ends", "strip", "marks", "points"]), "ends";
    /// Side of the picture, as you see it, on which the low end lies
    LowEnd = "low_end", Picture, Kind::Choice(&["left", "right", "top", "bottom"]), "left";
    /// With marks: head travel from one index mark to the next
    MarkPitch = "mark_pitch_mm", Picture, Kind::Length, "5";
    /// With points: two pixel places, x and y of each, counted from the top left
    PointsPx = "points_px", Picture, Kind::TwoPlaces, "120.5,310,1890.5,322";
    /// With points: their head travel from the low end; the two ends where absent
    PointsTravel = "points_travel_mm", Picture, Kind::TwoLengths, "0,150";
    /// With points: standard uncertainty of each coordinate, in pixels (0.5 where absent)
    PointsU = "points_u_px", Picture, Kind::NumberOrZero, "0.5";
    /// The scan's true resolution, in dots per inch
    Dpi = "dpi", Picture, Kind::Number, "600";
    /// Look only here: x, y, width and height in pixels
    AreaPx = "area_px", Picture, Kind::Area, "100,200,3600,400";
}

impl Field {
    /// The flag of the same name, with its two dashes.
    pub fn flag(self) -> String {
        format!("--{}", self.name().replace('_', "-"))
    }

    /// The field of this name in the file.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|field| field.name() == name)
    }

    /// The field whose name is nearest to a mistyped one, where one is near enough to be worth saying.
    pub(super) fn nearest(name: &str) -> Option<Self> {
        let distance = |field: &Self| edit_distance(name, field.name());
        let nearest = Self::ALL.iter().copied().min_by_key(distance)?;
        // One slip in about three letters still reads as the same word, and a forgotten unit suffix is the usual slip.
        let is_near = distance(&nearest) <= (name.chars().count() / 3).max(1);
        let without_unit = Self::ALL.iter().copied().find(|field| {
            ["_mm", "_deg", "_px", "_u_mm"].iter().any(|unit| field.name().strip_suffix(unit) == Some(name))
        });
        without_unit.or(is_near.then_some(nearest))
    }
}

impl fmt::Display for Field {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(self.name())
    }
}

/// Least number of letters to insert, drop or change (Levenshtein's distance).
fn edit_distance(from: &str, to: &str) -> usize {
    let to: Vec<char> = to.chars().collect();
    let mut row: Vec<usize> = (0..=to.len()).collect();
    for (i, a) in from.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, b) in to.iter().enumerate() {
            let substituted = diagonal + usize::from(a != *b);
            diagonal = row[j + 1];
            row[j + 1] = substituted.min(row[j] + 1).min(row[j + 1] + 1);
        }
    }
    row[to.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_unique_and_found_again() {
        for field in Field::ALL {
            assert_eq!(Field::from_name(field.name()), Some(*field));
        }
    }

    #[test]
    fn a_slip_finds_the_field_meant() {
        assert_eq!(Field::nearest("travel"), Some(Field::Travel));
        assert_eq!(Field::nearest("travle_mm"), Some(Field::Travel));
        assert_eq!(Field::nearest("low_hight_mm"), Some(Field::LowHeight));
        assert_eq!(Field::nearest("colour"), None);
    }

    #[test]
    fn distance_counts_slips() {
        assert_eq!(edit_distance("kitten", "sitting"), 3);
        assert_eq!(edit_distance("", "abc"), 3);
        assert_eq!(edit_distance("same", "same"), 0);
    }
}

//! A setup written down: a file that means the same wherever it lies.

use std::fmt::Write;

use super::field::{Field, Kind, Section};
use super::raw::{RawSetup, Value};

impl RawSetup {
    /// The fields that were given as the text of a setup file, in the order of the table of fields, whether they came from
    /// a file, from flags or as defaults. A kept ramp is written as its angle, so that the text needs no other file; where
    /// that file cannot be read, its name is written.
    ///
    /// ```
    /// use narrows::setup::{Field, RawSetup};
    /// let mut raw = RawSetup::from_toml("[ramp]\ntravel_mm = \"15 cm\"\n", None)?;
    /// raw.set_flag(Field::Material, "birch \"ply\"")?;
    /// assert_eq!(raw.to_toml(), "[ramp]\ntravel_mm = 150\n\n[burn]\nmaterial = 'birch \"ply\"'\n");
    /// # Ok::<(), narrows::setup::SetupError>(())
    /// ```
    pub fn to_toml(&self) -> String {
        let mut text = String::new();
        for section in Section::ALL {
            let lines: Vec<String> = Field::ALL
                .iter()
                .filter(|field| field.section() == section)
                .filter_map(|field| Some(self.line(*field, &self.entries.get(field)?.value)))
                .collect();
            if !lines.is_empty() {
                let gap = if text.is_empty() { "" } else { "\n" };
                // Writing to a string cannot fail.
                let _ = writeln!(text, "{gap}{section}\n{}", lines.join("\n"));
            }
        }
        text
    }

    fn line(&self, field: Field, value: &Value) -> String {
        if let (Field::RampFile, Value::Text(path), Some(given)) = (field, value, self.given(field))
            && let Ok((incline_deg, incline_u_deg)) = self.read_ramp_file(given, path)
        {
            let name = path.replace(|c: char| c.is_control(), " ");
            let incline = format!("{} = {incline_deg} # {name}", Field::Incline);
            let sureness = incline_u_deg.map(|u| format!("\n{} = {u}", Field::InclineU));
            return incline + &sureness.unwrap_or_default();
        }
        format!("{field} = {}", literal(field.kind(), value))
    }
}

fn literal(kind: Kind, value: &Value) -> String {
    match value {
        Value::Number(number) => number.to_string(),
        Value::Count(count) => count.to_string(),
        Value::Claim(claim) => claim.to_string(),
        Value::Text(text) => toml::Value::from(text.as_str()).to_string(),
        Value::Numbers(numbers) => match (kind, numbers.as_slice()) {
            (Kind::TwoPlaces, [x1, y1, x2, y2]) => format!("[[{x1}, {y1}], [{x2}, {y2}]]"),
            _ => format!("[{}]", numbers.iter().map(f64::to_string).collect::<Vec<_>>().join(", ")),
        },
    }
}

#[cfg(test)]
mod tests {
    use crate::setup::{Field, RawSetup};

    #[test]
    fn what_is_written_means_what_was_said() {
        let said = "[ramp]\ntravel_mm = 150\nlow_height_mm = 0.000001\nhigh_height_mm = \"1.8 cm\"\nmeasured_with = \"caliper\"\n\
                    [head]\ngap_low_mm = \"0.276 in\"\ngaps_by_block = true\ngauged_from = \"tip \\\"A\\\"\\n\"\n\
                    [burn]\npasses = 2\nspeed_mm_s = 20.5\nair = false\nmaterial = \"ply # 3\"\n\
                    [picture]\ndatum = \"points\"\npoints_px = [[-0.5, 1.25], [1e3, 7]]\npoints_travel_mm = [0, 150]\n\
                    area_px = [1, 2, 3, 4]\n";
        let raw = RawSetup::from_toml(said, None).unwrap();
        let written = raw.to_toml();
        let again = RawSetup::from_toml(&written, None).unwrap();
        assert_eq!(again.to_toml(), written);
        assert_eq!(again.check().unwrap(), raw.check().unwrap());
    }

    #[test]
    fn a_kept_ramp_is_written_as_its_angle() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("north.toml"), "incline_deg = 5.71\nincline_u_deg = 0.02\n").unwrap();
        let text = "[ramp]\ntravel_mm = 150\nramp_file = \"north.toml\"\n[picture]\nlow_end = \"left\"\n";
        let raw = RawSetup::from_toml(text, Some(folder.path())).unwrap();
        let written = raw.to_toml();
        assert!(written.contains("incline_deg = 5.71 # north.toml\nincline_u_deg = 0.02\n"), "{written}");
        let again = RawSetup::from_toml(&written, None).unwrap().check().unwrap();
        assert_eq!(again.ramp.rise, raw.check().unwrap().ramp.rise);
    }

    #[test]
    fn defaults_give_way_to_what_was_said() {
        let mut raw = RawSetup::from_toml("[head]\nspacer_in_use_mm = 7\n", None).unwrap();
        raw.set_default(Field::SpacerInUse, "8").unwrap();
        raw.set_default(Field::TipDiameter, "6").unwrap();
        assert!(raw.is_given(Field::TipDiameter) && !raw.is_given(Field::Travel));
        assert_eq!(raw.to_toml(), "[head]\ntip_diameter_mm = 6\nspacer_in_use_mm = 7\n");
    }
}

//! Fields as given, each checked by itself: a TOML file, and flags laid over it.

use std::collections::BTreeMap;
use std::ops::Range;
use std::path::{Path, PathBuf};

use toml::de::{DeTable, DeValue};

use super::error::{Given, Origin, SetupError};
use super::field::{Field, Kind, Section};
use super::length::{LengthError, parse_length_mm, parse_number};

/// The fields that were given, each valid by itself; what they mean together is checked by [`RawSetup::check`].
///
/// ```
/// use narrows::setup::{Field, RawSetup};
/// let file = "[ramp]\ntravel_mm = 150\nrise_mm = 15\n[picture]\nlow_end = \"left\"\n";
/// let mut raw = RawSetup::from_toml(file, None)?;
/// raw.set_flag(Field::Rise, "1.6 cm")?;
/// let setup = raw.check()?;
/// assert_eq!(setup.ramp.rise.value, 16.0);
/// # Ok::<(), narrows::setup::SetupError>(())
/// ```
#[derive(Debug, Clone, Default)]
pub struct RawSetup {
    pub(super) entries: BTreeMap<Field, Entry>,
    section_lines: BTreeMap<Section, usize>,
    /// Folder that paths in the file count from; `None` where the text came from no file.
    base_dir: Option<PathBuf>,
}

#[derive(Debug, Clone)]
pub(super) struct Entry {
    pub(super) value: Value,
    origin: Origin,
}

/// A field's value, already of its kind. Lengths in millimetres.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Value {
    Number(f64),
    Numbers(Vec<f64>),
    Count(u32),
    Claim(bool),
    Text(String),
}

impl RawSetup {
    /// Reads a setup file's text. `base_dir` is the folder that `ramp_file` counts from.
    ///
    /// # Errors
    /// Text that is not TOML, an unknown section or field, or a value that its field cannot hold; each with its line.
    pub fn from_toml(text: &str, base_dir: Option<&Path>) -> Result<Self, SetupError> {
        let lines = Lines(text);
        let document = DeTable::parse(text).map_err(|error| syntax_error(error, lines))?;
        let mut raw = Self { base_dir: base_dir.map(Path::to_path_buf), ..Self::default() };
        for (key, value) in in_order(document.get_ref()) {
            let line = lines.at(&key.span());
            let name = key.get_ref().as_ref();
            let section = Section::ALL.into_iter().find(|section| section.name() == name);
            match (section, value.get_ref()) {
                (Some(section), DeValue::Table(fields)) => {
                    raw.section_lines.insert(section, line);
                    raw.read_section(section, fields, lines)?;
                }
                (None, DeValue::Table(_)) => return Err(SetupError::UnknownSection { name: name.to_owned(), line }),
                _ => return Err(SetupError::OutsideSections { name: name.to_owned(), line }),
            }
        }
        Ok(raw)
    }

    fn read_section(&mut self, section: Section, fields: &DeTable<'_>, lines: Lines<'_>) -> Result<(), SetupError> {
        for (key, value) in in_order(fields) {
            let line = lines.at(&key.span());
            let name = key.get_ref().as_ref();
            let Some(field) = Field::from_name(name).filter(|field| field.section() == section) else {
                let nearest = Field::from_name(name).or_else(|| Field::nearest(name));
                return Err(SetupError::UnknownField { name: name.to_owned(), section, line, nearest });
            };
            let given = Given { field, origin: Origin::Line(line) };
            let value = value_from_toml(given, value.get_ref())?;
            self.entries.insert(field, Entry { value, origin: given.origin });
        }
        Ok(())
    }

    /// Lays a flag over whatever the file says. The text is written as after the flag: `7`, `"0.7 cm"`,
    /// `X,Y,X,Y` for two places, `true` or `false`.
    ///
    /// # Errors
    /// A text that the field cannot hold.
    pub fn set_flag(&mut self, field: Field, text: &str) -> Result<(), SetupError> {
        let given = Given { field, origin: Origin::Flag };
        let value = value_from_text(given, text)?;
        self.entries.insert(field, Entry { value, origin: Origin::Flag });
        Ok(())
    }

    /// Says a field that nobody said; what was said stays. The text is written as after the flag.
    ///
    /// # Errors
    /// A text that the field cannot hold.
    pub fn set_default(&mut self, field: Field, text: &str) -> Result<(), SetupError> {
        let given = Given { field, origin: Origin::Logbook };
        let value = value_from_text(given, text)?;
        self.entries.entry(field).or_insert(Entry { value, origin: given.origin });
        Ok(())
    }

    /// Whether a field was said.
    pub fn is_given(&self, field: Field) -> bool {
        self.entries.contains_key(&field)
    }

    /// The field and where it was said, where it was.
    pub(super) fn given(&self, field: Field) -> Option<Given> {
        self.entries.get(&field).map(|entry| Given { field, origin: entry.origin })
    }

    /// A length in millimetres or another number.
    pub(super) fn number(&self, field: Field) -> Option<f64> {
        match self.entries.get(&field)?.value {
            Value::Number(number) => Some(number),
            _ => None,
        }
    }

    /// The numbers of a field that holds exactly N of them.
    pub(super) fn numbers<const N: usize>(&self, field: Field) -> Option<[f64; N]> {
        match &self.entries.get(&field)?.value {
            Value::Numbers(numbers) => numbers.as_slice().try_into().ok(),
            _ => None,
        }
    }

    pub(super) fn count(&self, field: Field) -> Option<u32> {
        match self.entries.get(&field)?.value {
            Value::Count(count) => Some(count),
            _ => None,
        }
    }

    pub(super) fn claim(&self, field: Field) -> Option<bool> {
        match self.entries.get(&field)?.value {
            Value::Claim(claim) => Some(claim),
            _ => None,
        }
    }

    pub(super) fn text(&self, field: Field) -> Option<&str> {
        match &self.entries.get(&field)?.value {
            Value::Text(text) => Some(text),
            _ => None,
        }
    }

    pub(super) fn section_line(&self, section: Section) -> Option<usize> {
        self.section_lines.get(&section).copied()
    }

    /// Where a path that this field holds leads.
    pub(super) fn path(&self, given: Given, path: &str) -> Result<PathBuf, SetupError> {
        match (given.origin, &self.base_dir) {
            (Origin::Flag | Origin::Logbook, _) => Ok(PathBuf::from(path)),
            (Origin::Line(_), Some(base_dir)) => Ok(base_dir.join(path)),
            (Origin::Line(_), None) => Err(SetupError::RampFileWithoutFolder { given }),
        }
    }
}

/// The text of a ramp measured once and kept: its angle and, where the file says so, how sure that is. Degrees.
///
/// # Errors
/// Text that is not TOML, an unknown field, no angle, or a value that cannot be one.
pub fn parse_ramp_file(text: &str) -> Result<(f64, Option<f64>), SetupError> {
    let lines = Lines(text);
    let document = DeTable::parse(text).map_err(|error| syntax_error(error, lines))?;
    let (mut incline, mut incline_u) = (None, None);
    for (key, value) in in_order(document.get_ref()) {
        let line = lines.at(&key.span());
        let name = key.get_ref().as_ref();
        let (field, slot) = match Field::from_name(name) {
            Some(field @ Field::Incline) => (field, &mut incline),
            Some(field @ Field::InclineU) => (field, &mut incline_u),
            _ => return Err(SetupError::RampFileUnknownField { name: name.to_owned(), line }),
        };
        match value_from_toml(Given { field, origin: Origin::Line(line) }, value.get_ref())? {
            Value::Number(number) => *slot = Some(number),
            other => unreachable!("both fields hold numbers, not {other:?}"),
        }
    }
    Ok((incline.ok_or(SetupError::RampFileWithoutIncline)?, incline_u))
}

/// Byte offsets to lines counted from 1.
#[derive(Clone, Copy)]
struct Lines<'a>(&'a str);

impl Lines<'_> {
    fn at(self, span: &Range<usize>) -> usize {
        let end = span.start.min(self.0.len());
        self.0.as_bytes()[..end].iter().filter(|byte| **byte == b'\n').count() + 1
    }
}

type Spanned<T> = toml::Spanned<T>;

/// The table's entries as they stand in the file: the first error in the file is the one reported.
fn in_order<'t, 'i>(table: &'t DeTable<'i>) -> Vec<(&'t Spanned<toml::de::DeString<'i>>, &'t Spanned<DeValue<'i>>)> {
    let mut entries: Vec<_> = table.iter().collect();
    entries.sort_by_key(|(key, _)| key.span().start);
    entries
}

/// A decimal comma outside quotes is a syntax error to the parser; here it is told for what it is.
fn syntax_error(error: toml::de::Error, lines: Lines<'_>) -> SetupError {
    let line = lines.at(&error.span().unwrap_or(0..0));
    let written = lines.0.lines().nth(line - 1).unwrap_or_default();
    if let Some((name, value)) = written.split_once('=')
        && let Some(field) = Field::from_name(name.trim())
    {
        let value = value.split('#').next().unwrap_or_default();
        if let Err(reason @ LengthError::DecimalComma { .. }) = parse_length_mm(value) {
            return SetupError::NotALength { given: Given { field, origin: Origin::Line(line) }, reason };
        }
    }
    SetupError::Syntax { line, source: Box::new(error) }
}

fn value_from_toml(given: Given, value: &DeValue<'_>) -> Result<Value, SetupError> {
    let wrong_type = || SetupError::WrongType { given, found: type_name(value) };
    match (given.field.kind(), value) {
        (Kind::Length | Kind::LengthOrZero, _) => Ok(Value::Number(checked(given, length_from_toml(given, value)?)?)),
        (Kind::Number | Kind::NumberOrZero | Kind::Angle, _) => {
            Ok(Value::Number(checked(given, number_from_toml(value).ok_or_else(wrong_type)?)?))
        }
        (Kind::Count, DeValue::Integer(_)) => {
            let number = number_from_toml(value).ok_or_else(wrong_type)?;
            count(given, checked(given, number)?)
        }
        (Kind::Claim, DeValue::Boolean(claim)) => Ok(Value::Claim(*claim)),
        (Kind::Text, DeValue::String(text)) => Ok(Value::Text(text.to_string())),
        (Kind::Choice(words), DeValue::String(text)) => choice(given, words, text),
        (Kind::TwoLengths, DeValue::Array(items)) => {
            let lengths: Result<Vec<f64>, _> =
                items.iter().map(|item| length_from_toml(given, item.get_ref())).collect();
            numbers(given, lengths?)
        }
        (Kind::Area, DeValue::Array(items)) => {
            let sides: Option<Vec<f64>> = items.iter().map(|item| number_from_toml(item.get_ref())).collect();
            numbers(given, sides.ok_or_else(wrong_type)?)
        }
        (Kind::TwoPlaces, DeValue::Array(items)) => {
            let mut flat = Vec::new();
            for item in items.iter() {
                let place = item.get_ref().as_array().ok_or_else(wrong_type)?;
                let place: Option<Vec<f64>> = place.iter().map(|item| number_from_toml(item.get_ref())).collect();
                match place.ok_or_else(wrong_type)?[..] {
                    [x, y] => flat.extend([x, y]),
                    ref other => return Err(SetupError::WrongCount { given, found: other.len() }),
                }
            }
            numbers(given, flat)
        }
        _ => Err(wrong_type()),
    }
}

fn value_from_text(given: Given, text: &str) -> Result<Value, SetupError> {
    let not_a_length = |reason| SetupError::NotALength { given, reason };
    match given.field.kind() {
        Kind::Length | Kind::LengthOrZero => {
            Ok(Value::Number(checked(given, parse_length_mm(text).map_err(not_a_length)?)?))
        }
        Kind::Number | Kind::NumberOrZero | Kind::Angle => {
            Ok(Value::Number(checked(given, parse_number(text).map_err(not_a_length)?)?))
        }
        Kind::Count => count(given, checked(given, parse_number(text).map_err(not_a_length)?)?),
        Kind::Claim => match text.trim().to_lowercase().as_str() {
            "true" | "yes" | "on" => Ok(Value::Claim(true)),
            "false" | "no" | "off" => Ok(Value::Claim(false)),
            _ => Err(SetupError::NotOneOf { given, found: text.to_owned() }),
        },
        Kind::Text => Ok(Value::Text(text.to_owned())),
        Kind::Choice(words) => choice(given, words, text),
        Kind::TwoLengths => {
            let lengths: Result<Vec<f64>, _> = text.split(',').map(parse_length_mm).collect();
            numbers(given, lengths.map_err(not_a_length)?)
        }
        Kind::TwoPlaces | Kind::Area => {
            let coordinates: Result<Vec<f64>, _> = text.split(',').map(parse_number).collect();
            numbers(given, coordinates.map_err(not_a_length)?)
        }
    }
}

fn length_from_toml(given: Given, value: &DeValue<'_>) -> Result<f64, SetupError> {
    match value {
        DeValue::String(text) => parse_length_mm(text).map_err(|reason| SetupError::NotALength { given, reason }),
        _ => number_from_toml(value).ok_or(SetupError::WrongType { given, found: type_name(value) }),
    }
}

/// A TOML integer or float; `None` for anything else. Out-of-range floats come out infinite and are refused as such.
fn number_from_toml(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Float(float) => float.as_str().parse().ok(),
        DeValue::Integer(integer) => i64::from_str_radix(integer.as_str(), integer.radix())
            .map(|number| number as f64)
            .or_else(|_| integer.as_str().parse())
            .ok(),
        _ => None,
    }
}

/// Refuses what no field of the kind can mean.
fn checked(given: Given, value: f64) -> Result<f64, SetupError> {
    if !value.is_finite() {
        return Err(SetupError::NotFinite { given, value });
    }
    match given.field.kind() {
        Kind::Angle if value <= 0.0 || value >= 90.0 => Err(SetupError::AngleOutOfRange { given, value }),
        // Pixel places may lie anywhere; whether they lie in the picture is seen when there is one.
        Kind::TwoPlaces | Kind::Area => Ok(value),
        _ if value < 0.0 => Err(SetupError::Negative { given, value }),
        Kind::Length | Kind::Number | Kind::Count if value == 0.0 => Err(SetupError::Zero { given }),
        _ => Ok(value),
    }
}

fn count(given: Given, value: f64) -> Result<Value, SetupError> {
    if value.fract() != 0.0 || value > f64::from(u32::MAX) {
        return Err(SetupError::WrongType { given, found: "not whole" });
    }
    Ok(Value::Count(value as u32))
}

fn choice(given: Given, words: &[&str], text: &str) -> Result<Value, SetupError> {
    if words.contains(&text) {
        Ok(Value::Text(text.to_owned()))
    } else {
        Err(SetupError::NotOneOf { given, found: text.to_owned() })
    }
}

fn numbers(given: Given, numbers: Vec<f64>) -> Result<Value, SetupError> {
    let wanted = if given.field.kind() == Kind::TwoLengths { 2 } else { 4 };
    if numbers.len() != wanted {
        return Err(SetupError::WrongCount { given, found: numbers.len() });
    }
    for number in &numbers {
        checked(given, *number)?;
    }
    // A rectangle has a size.
    if given.field.kind() == Kind::Area {
        for size in &numbers[2..] {
            if *size < 0.0 {
                return Err(SetupError::Negative { given, value: *size });
            }
            if *size == 0.0 {
                return Err(SetupError::Zero { given });
            }
        }
    }
    Ok(Value::Numbers(numbers))
}

fn type_name(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) | DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a section",
    }
}

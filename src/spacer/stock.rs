//! What the shop has: blocks, shims, feeler gauges, drill shanks, offcuts.

use std::collections::BTreeMap;
use std::ops::Range;

use serde::Deserialize;
use toml::{Spanned, Value};

use super::error::SpacerError;
use super::wanted::{length_in_range, uncertainty_in_range};
use crate::estimate::Estimate;
use crate::setup::{LengthError, parse_length_mm};

/// Standard uncertainty of a thickness about which nothing else is said, in mm (common practice, no source).
pub const DEFAULT_THICKNESS_U_MM: f64 = 0.05;
/// Thickest piece and block, in mm.
pub(super) const LONGEST_MM: f64 = 1000.0;
/// Most pieces of one kind.
pub(super) const MOST_OF_A_KIND: usize = 1000;

/// Pieces of one kind: one measured thickness for all of them.
#[derive(Debug, Clone, PartialEq)]
pub struct Piece {
    /// As measured, in mm.
    pub thickness: Estimate,
    /// How many there are.
    pub count: usize,
    /// What the shop calls it.
    pub name: Option<String>,
}

/// All there is.
///
/// Always holds: at least one piece; thicknesses above zero and at most a metre; counts from 1 to 1000.
#[derive(Debug, Clone, PartialEq)]
pub struct Stock {
    pieces: Vec<Piece>,
}

impl Stock {
    /// Stock made by hand.
    ///
    /// # Errors
    /// No piece, or one that cannot be.
    pub fn new(pieces: Vec<Piece>) -> Result<Self, SpacerError> {
        if pieces.is_empty() {
            return Err(SpacerError::EmptyStock);
        }
        for piece in &pieces {
            let name = piece.name.as_deref().unwrap_or("piece");
            length_in_range(&format!("the stock's \"{name}\""), piece.thickness.value)?;
            uncertainty_in_range("thickness_u_mm", piece.thickness.standard_uncertainty)?;
            if !(1..=MOST_OF_A_KIND).contains(&piece.count) {
                return Err(SpacerError::Count { text: name.to_owned() });
            }
        }
        Ok(Self { pieces })
    }

    /// Reads `3.0,4.1,6.2,0.5x4`: thicknesses, each with a unit where it is not in millimetres, and `x4` where there are
    /// four. `thickness_u_mm` is the standard uncertainty of each.
    ///
    /// # Errors
    /// A thickness or a number of pieces that cannot be.
    pub fn from_list(text: &str, thickness_u_mm: f64) -> Result<Self, SpacerError> {
        let named = |item: &str| format!("the stock's \"{item}\"");
        let mut pieces = Vec::new();
        for item in text.split(',').map(str::trim).filter(|item| !item.is_empty()) {
            let (length, count) = match item.rsplit_once(['x', 'X', '×']) {
                None => (item, 1),
                Some((length, count)) => {
                    let parsed = count.trim().parse().ok().filter(|count| (1..=MOST_OF_A_KIND).contains(count));
                    (length, parsed.ok_or_else(|| SpacerError::Count { text: item.to_owned() })?)
                }
            };
            let thickness =
                parse_length_mm(length).map_err(|source| SpacerError::Length { field: named(item), source })?;
            length_in_range(&named(item), thickness)?;
            pieces.push(Piece { thickness: Estimate::new(thickness, thickness_u_mm), count, name: None });
        }
        Self::new(pieces)
    }

    /// Reads a stock file:
    ///
    /// ```
    /// let file = r#"
    /// thickness_u_mm = 0.03            # where a piece has none of its own
    /// [[piece]]
    /// thickness_mm = 4.12
    /// name = "grey block"
    /// [[piece]]
    /// thickness_mm = "0.020 in"
    /// thickness_u_mm = 0.01
    /// count = 4
    /// name = "feeler gauge"
    /// "#;
    /// let stock = narrows::spacer::Stock::from_toml(file, 0.05)?;
    /// assert_eq!(stock.pieces()[0].thickness.standard_uncertainty, 0.03);
    /// assert!((stock.pieces()[1].thickness.value - 0.508).abs() < 1e-12);
    /// # Ok::<(), narrows::spacer::SpacerError>(())
    /// ```
    ///
    /// `thickness_u_mm` is the standard uncertainty where the file says none.
    ///
    /// # Errors
    /// Text that is no such file, with its line.
    pub fn from_toml(text: &str, thickness_u_mm: f64) -> Result<Self, SpacerError> {
        let line = |span: &Range<usize>| 1 + text.bytes().take(span.start).filter(|&byte| byte == b'\n').count();
        let file: StockFile = toml::from_str(text).map_err(|error| SpacerError::StockSyntax {
            line: error.span().as_ref().map_or(1, line),
            message: error.message().split_whitespace().collect::<Vec<_>>().join(" "),
        })?;
        let length = |field: &str, said: &Spanned<Value>| {
            let field = format!("{field} (line {})", line(&said.span()));
            length_of(said.get_ref())
                .map_err(|source| SpacerError::Length { field: field.clone(), source })
                .map(|mm| (field, mm))
        };
        let uncertainty = |said: &Option<Spanned<Value>>| -> Result<Option<f64>, SpacerError> {
            let Some(said) = said else { return Ok(None) };
            let (field, mm) = length("thickness_u_mm", said)?;
            uncertainty_in_range(&field, mm)?;
            Ok(Some(mm))
        };
        let for_all = uncertainty(&file.thickness_u_mm)?.unwrap_or(thickness_u_mm);
        let mut pieces = Vec::new();
        for said in &file.piece {
            let (field, thickness) = length("thickness_mm", &said.thickness_mm)?;
            length_in_range(&field, thickness)?;
            let count = match &said.count {
                None => 1,
                Some(count) => usize::try_from(*count.get_ref())
                    .ok()
                    .filter(|count| (1..=MOST_OF_A_KIND).contains(count))
                    .ok_or_else(|| SpacerError::CountInFile {
                        field: "count".to_owned(),
                        line: line(&count.span()),
                        value: *count.get_ref(),
                    })?,
            };
            let u = uncertainty(&said.thickness_u_mm)?.unwrap_or(for_all);
            pieces.push(Piece { thickness: Estimate::new(thickness, u), count, name: said.name.clone() });
        }
        Self::new(pieces)
    }

    /// The kinds of pieces, in the order they were named.
    pub fn pieces(&self) -> &[Piece] {
        &self.pieces
    }
}

fn length_of(value: &Value) -> Result<f64, LengthError> {
    match value {
        Value::Float(mm) => Ok(*mm),
        Value::Integer(mm) => Ok(*mm as f64),
        Value::String(text) => parse_length_mm(text),
        other => Err(LengthError::NotANumber { text: other.to_string() }),
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct StockFile {
    thickness_u_mm: Option<Spanned<Value>>,
    #[serde(default)]
    piece: Vec<SaidPiece>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SaidPiece {
    thickness_mm: Spanned<Value>,
    thickness_u_mm: Option<Spanned<Value>>,
    count: Option<Spanned<i64>>,
    name: Option<String>,
}

/// How many of each kind a stack uses, for callers that want to mark pieces as taken.
pub(super) fn counted(indices: &[usize]) -> BTreeMap<usize, usize> {
    let mut counts = BTreeMap::new();
    for &index in indices {
        *counts.entry(index).or_default() += 1;
    }
    counts
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_list_carries_units_and_counts() {
        let stock = Stock::from_list("3.0, 0.25 in ,6.2mm,0.5x4, 250um×2,", 0.05).unwrap();
        let read: Vec<(f64, usize)> = stock.pieces().iter().map(|p| (p.thickness.value, p.count)).collect();
        assert_eq!(read, [(3.0, 1), (6.35, 1), (6.2, 1), (0.5, 4), (0.25, 2)]);
    }

    #[test]
    fn a_list_that_cannot_be_names_the_piece() {
        let told = |list: &str| Stock::from_list(list, 0.05).unwrap_err().to_string();
        assert!(told("3,0").contains("\"0\" is 0, and it has to be above 0"));
        assert!(told("3.0,four").contains("\"four\""));
        assert!(told("0.5x0").contains("0.5x0"));
        assert!(told("0.5x-2").contains("0.5x-2"));
        assert!(told("-3").contains("-3"));
        assert!(told("nan").contains("NaN"));
        assert!(told("2 ft").contains("ft"));
        assert_eq!(Stock::from_list(" ,", 0.05), Err(SpacerError::EmptyStock));
    }

    #[test]
    fn a_file_that_cannot_be_names_the_line() {
        let told = |file: &str| Stock::from_toml(file, 0.05).unwrap_err().to_string();
        assert!(told("[[piece]]\nthicknes_mm = 3\n").contains("line 2"));
        assert!(told("[[piece]]\nthickness_mm = -3\n").contains("(line 2) is -3"));
        assert!(told("[[piece]]\nthickness_mm = 3\ncount = 0\n").contains("count (line 3) is 0"));
        assert!(told("[[piece]]\nthickness_mm = \"3,5 mm\"\n").contains("decimal comma"));
        assert!(told("[[piece]]\nthickness_mm = 3\nthickness_u_mm = -1\n").contains("thickness_u_mm (line 3)"));
        assert!(told("[[piece]\n").contains("line 1"));
        assert_eq!(Stock::from_toml("", 0.05), Err(SpacerError::EmptyStock));
    }
}

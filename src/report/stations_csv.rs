//! The measured places as a table, one row each, for a spreadsheet.

use std::io::Write;

use serde::Serialize;

use crate::reading::Reading;
use crate::stations::LeftOut;

#[derive(Serialize)]
struct Row {
    position_mm: Option<f64>,
    kerf_mm: Option<f64>,
    kerf_standard_uncertainty_mm: Option<f64>,
    used: bool,
    left_out: Option<LeftOut>,
    contrast: Option<f64>,
    along_px: Option<f64>,
    kerf_px: Option<f64>,
    kerf_standard_uncertainty_px: Option<f64>,
    edge_sigma_px: Option<f64>,
    left_edge_x_px: Option<f64>,
    left_edge_y_px: Option<f64>,
    right_edge_x_px: Option<f64>,
    right_edge_y_px: Option<f64>,
}

const HEADER: [&str; 14] = [
    "position_mm",
    "kerf_mm",
    "kerf_standard_uncertainty_mm",
    "used",
    "left_out",
    "contrast",
    "along_px",
    "kerf_px",
    "kerf_standard_uncertainty_px",
    "edge_sigma_px",
    "left_edge_x_px",
    "left_edge_y_px",
    "right_edge_x_px",
    "right_edge_y_px",
];

/// Writes the measured places of a reading, with a header; a cell is empty where there is no number.
///
/// # Errors
///
/// Where `out` does not take what is written.
pub fn write(reading: &Reading, out: impl Write) -> csv::Result<()> {
    let mut table = csv::WriterBuilder::new().has_headers(false).from_writer(out);
    // Written here and not by the first row, so that a reading without measured places still has its header.
    table.write_record(HEADER)?;
    for station in &reading.stations {
        let mm_per_px = station.kerf_mm.map(|kerf_mm| kerf_mm / station.kerf_px);
        table.serialize(Row {
            position_mm: station.position_mm.and_then(six),
            kerf_mm: station.kerf_mm.and_then(six),
            kerf_standard_uncertainty_mm: mm_per_px.and_then(|scale| six(scale * station.standard_uncertainty_px)),
            used: station.used,
            left_out: station.left_out,
            contrast: six(station.contrast),
            along_px: six(station.along_px),
            kerf_px: six(station.kerf_px),
            kerf_standard_uncertainty_px: six(station.standard_uncertainty_px),
            edge_sigma_px: six(station.edge_sigma_px),
            left_edge_x_px: six(station.left_edge_px[0]),
            left_edge_y_px: six(station.left_edge_px[1]),
            right_edge_x_px: six(station.right_edge_px[0]),
            right_edge_y_px: six(station.right_edge_px[1]),
        })?;
    }
    table.flush()?;
    Ok(())
}

/// Six decimals as in the JSON; `None`, an empty cell, where there is no finite number.
fn six(value: f64) -> Option<f64> {
    value.is_finite().then(|| super::rounding::fixed(value, 6).parse().unwrap_or(value))
}

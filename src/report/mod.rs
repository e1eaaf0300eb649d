//! A reading shown: text, JSON, stations, chart, overlay. Computes no number its input does not hold.

pub mod advice;
#[cfg(feature = "charts")]
mod canvas;
#[cfg(feature = "charts")]
pub mod chart;
#[cfg(feature = "logbook")]
pub mod drift;
pub mod json;
#[cfg(feature = "charts")]
mod lettering;
#[cfg(feature = "logbook")]
pub mod logbook;
#[cfg(feature = "charts")]
pub mod overlay;
#[cfg(feature = "charts")]
mod painter;
pub mod plan;
pub mod rounding;
pub mod spacer_drawings;
pub mod spacer_json;
pub mod spacer_text;
pub mod stations_csv;
pub mod stroke_svg;
pub mod strokes;
pub mod text;
pub(crate) mod words;

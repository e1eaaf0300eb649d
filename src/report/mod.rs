//! A reading shown: text, JSON, stations, chart, overlay. Computes no number its input does not hold.

pub mod advice;
pub mod json;
pub mod rounding;
pub mod stations_csv;
pub mod text;
mod words;

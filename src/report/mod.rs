//! A reading shown: text, JSON, stations, chart, overlay. Computes no number its input does not hold.

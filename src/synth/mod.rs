//! Rendered strips with known truth. Shares no code and no formula with the reading.

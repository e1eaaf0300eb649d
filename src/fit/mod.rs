//! Stage 5: where the kerf is narrowest.
//!
//! Two kinds of model are fitted and fail differently: the threshold caustic describes the whole line and is biased
//! where the beam is not as it assumes; the parabola sees only the bottom of the curve and scatters more. Both treat
//! the grain's wander as correlated along the strip.

mod bottom;
pub mod bracket;
pub mod caustic;
mod combine;
pub mod curve;
pub mod data;
pub mod fading;
pub mod inner;
pub mod misfit;
pub mod noise;
mod outliers;
pub mod parabola;
pub mod solve;
pub mod waist;

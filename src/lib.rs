//! `narrows` reads a picture of a ramp test: a straight line burned with the head at one height over an inclined strip.
//!
//! ```text
//! file ─photo─▶ Photo ─locate─▶ Course, Tie ─stations─▶ [Station] ─fit─▶ Waist ─height─▶ Focus ─report─▶ text, JSON, pictures
//!                        ▲                                                          ▲
//!                        └────────────────────────── Setup ─────────────────────────┘
//! ```
#![forbid(unsafe_code)]

pub mod advice;
pub mod anchor;
pub mod cautions;
pub mod choose;
pub mod combine;
pub mod doubts;
#[cfg(feature = "logbook")]
pub mod drift;
pub mod estimate;
pub mod fit;
pub mod height;
pub mod locate;
#[cfg(feature = "logbook")]
pub mod logbook;
pub mod photo;
pub mod plan;
pub mod printable;
pub mod reading;
pub mod refusal;
pub mod report;
mod second_look;
pub mod setup;
pub mod spacer;
pub mod stations;
#[cfg(feature = "synth")]
pub mod synth;
#[cfg(feature = "web")]
pub mod web;

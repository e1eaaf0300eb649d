//! From the answer to a block in the hand: the best stack of what the shop has, and the settings for its work.
//!
//! ```
//! use narrows::estimate::Estimate;
//! use narrows::spacer::{StackOptions, Stock, Wanted, stacks};
//! let stock = Stock::from_list("3.0, 4.1, 6.2, 0.5x4", 0.05)?;
//! let wanted = Wanted::typed(Estimate::new(7.15, 0.1))?;
//! let best = &stacks(&stock, wanted.spacer.value, &StackOptions::default())?[0];
//! // 6.2 + 0.5 + 0.5 would be as far off, with one piece more.
//! assert!((best.total.value - 7.1).abs() < 1e-9);
//! assert_eq!(best.piece_count(), 2); // 4.1 + 3.0
//! # Ok::<(), narrows::spacer::SpacerError>(())
//! ```

mod answer;
mod error;
mod settings;
mod stack;
mod step_gauge;
mod stock;
mod wanted;

pub use answer::{Answer, AnswerOptions, Found, SpacerCaution, answer};
pub use error::SpacerError;
pub use settings::{SMALL_GAP_MM, Setting, SettingOptions, USUAL_THICKNESSES_MM, Work, settings};
pub use stack::{Layer, MOST_PIECES, Stack, StackOptions, stacks};
pub use step_gauge::{Step, StepGauge, StepGaugeOptions};
pub use stock::{DEFAULT_THICKNESS_U_MM, Piece, Stock};
pub use wanted::{Miss, Slack, Wanted};

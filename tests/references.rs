//! Published numbers only.

#[path = "references/gum.rs"]
mod gum;

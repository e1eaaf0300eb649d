//! Stage 5: where the kerf is narrowest.

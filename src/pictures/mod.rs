//! Shared drawing.

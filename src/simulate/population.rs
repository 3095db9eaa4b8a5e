//! Drawing scenarios.

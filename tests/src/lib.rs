//! What several tests share.

pub mod emulated;

//! What several tests share.

pub mod acceptance;
pub mod emulated;
pub mod hostile;
pub mod night;
pub mod old_recordings;

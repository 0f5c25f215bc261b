//! The protocols as the conductor uses them. Each is defined in one file, [`stats::protocol`](crate::stats::protocol), since
//! what is presented and what may be answered also fixes what a guesser achieves.

pub use crate::stats::protocol::{Alternative, Definition, Inquiry, Side, Sides, Slot};

//! Tests of this room, against published sources where there are any.

mod chains;
mod conductors;
mod hearing;
mod loads;
mod quantities;
mod reference;
mod sessions;

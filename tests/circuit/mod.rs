//! Tests of this room, against published sources where there are any.

mod conductors;
mod loads;
mod reference;

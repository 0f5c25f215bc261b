//! Drives a conductor with clock, disk, player and a face.

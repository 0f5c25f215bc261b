//! How large a difference is to an ear, on a given clip.

//! The club-night web server: same conductor, other listeners.

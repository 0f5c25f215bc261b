//! Protocols, random draws, seal, journal, and the conductor.

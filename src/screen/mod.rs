//! The terminal user interface: draws a view, turns keys into events.

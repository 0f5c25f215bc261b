//! Keys to intents.

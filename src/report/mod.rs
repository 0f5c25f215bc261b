//! Verdict sentences, figures, HTML, CSV, JSON.

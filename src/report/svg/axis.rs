//! One direction of a chart: its ends, its ticks, and where a value stands between them.

/// One direction of a chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    pub(super) label: String,
    pub(super) low: f64,
    pub(super) high: f64,
    pub(super) logarithmic: bool,
    pub(super) ticks: Vec<(f64, String)>,
    /// Values between the ticks that have a thin line.
    pub(super) minor: Vec<f64>,
}

impl Axis {
    /// Evenly divided from `low` to `high`, about five round ticks. Equal or unordered ends are moved apart.
    pub fn linear(label: impl Into<String>, low: f64, high: f64) -> Self {
        let (low, high) = apart(low, high);
        let step = round_step((high - low) / 5.0);
        let places = (-step.log10().floor()).max(0.0) as usize;
        let first = (low / step - 1e-9).ceil() as i64;
        let last = (high / step + 1e-9).floor() as i64;
        let ticks = (first..=last)
            .map(|k| {
                let value = k as f64 * step;
                (value, super::minus(&format!("{:.places$}", value + 0.0)))
            })
            .collect();
        Self { label: label.into(), low, high, logarithmic: false, ticks, minor: Vec::new() }
    }

    /// Logarithmic from `low` to `high`, both above 0; ticks at 1, 2 and 5 of each decade, with k for thousands.
    pub fn logarithmic(label: impl Into<String>, low: f64, high: f64) -> Self {
        let low = low.max(f64::MIN_POSITIVE);
        let high = if high > low { high } else { low * 10.0 };
        let mut ticks = Vec::new();
        for decade in low.log10().floor() as i32..=high.log10().ceil() as i32 {
            for digit in [1.0, 2.0, 5.0] {
                let value = digit * 10.0_f64.powi(decade);
                if value >= low * (1.0 - 1e-9) && value <= high * (1.0 + 1e-9) {
                    ticks.push((value, short(value)));
                }
            }
        }
        if ticks.len() > 14 {
            ticks.retain(|(value, _)| (value.log10() - value.log10().round()).abs() < 1e-9);
        }
        let minor = (low.log10().floor() as i32..=high.log10().ceil() as i32)
            .flat_map(|decade| (1..10).map(move |digit| f64::from(digit) * 10.0_f64.powi(decade)))
            .filter(|value| *value > low * (1.0 + 1e-9) && *value < high * (1.0 - 1e-9))
            .filter(|value| ticks.iter().all(|(tick, _)| (tick / value - 1.0).abs() > 1e-9))
            .collect();
        Self { label: label.into(), low, high, logarithmic: true, ticks, minor }
    }

    /// With ticks of the caller's choice.
    #[must_use]
    pub fn with_ticks(mut self, ticks: Vec<(f64, String)>) -> Self {
        self.ticks = ticks;
        self
    }

    /// Place along the axis, 0 to 1, held at the ends.
    pub(super) fn place(&self, value: f64) -> f64 {
        let share = if self.logarithmic {
            (value.max(self.low) / self.low).ln() / (self.high / self.low).ln()
        } else {
            (value - self.low) / (self.high - self.low)
        };
        if share.is_nan() { 0.0 } else { share.clamp(0.0, 1.0) }
    }
}

fn apart(low: f64, high: f64) -> (f64, f64) {
    let low = if low.is_finite() { low } else { 0.0 };
    if high.is_finite() && high > low { (low, high) } else { (low, low + 1.0) }
}

fn round_step(step: f64) -> f64 {
    let decade = 10.0_f64.powf(step.log10().floor());
    let lead = step / decade;
    decade
        * if lead <= 1.0 {
            1.0
        } else if lead <= 2.0 {
            2.0
        } else if lead <= 5.0 {
            5.0
        } else {
            10.0
        }
}

/// 20000 as "20k", 0.002 as "0.002".
fn short(value: f64) -> String {
    if value >= 1000.0 { format!("{}k", tidy(value / 1000.0)) } else { tidy(value) }
}

fn tidy(value: f64) -> String {
    let text = format!("{value:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn round_ticks() {
        let texts = |axis: Axis| axis.ticks.into_iter().map(|(_, text)| text).collect::<Vec<_>>();
        assert_eq!(texts(Axis::linear("", 0.0, 1.0)), ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]);
        assert_eq!(
            texts(Axis::linear("", -0.003, 0.002)),
            ["\u{2212}0.003", "\u{2212}0.002", "\u{2212}0.001", "0.000", "0.001", "0.002"]
        );
        assert_eq!(texts(Axis::linear("", 0.0, 16.0)), ["0", "5", "10", "15"]);
        assert_eq!(
            texts(Axis::logarithmic("", 20.0, 20_000.0)),
            ["20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k"]
        );
    }
}

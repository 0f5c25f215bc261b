//! The clocks of what was played and what was recorded: told by the repeats' places, and held against what each sweep tells.

use num_complex::Complex64;

/// Between this frequency in Hz ...
const SETTLED_HZ: f64 = 300.0;
/// ... and this share of the rate equipment delays all frequencies by nearly the same time ...
const SETTLED_SHARE: f64 = 0.4;
/// ... within so many seconds (common practice, no source).
const MOST_OWN_DELAY_S: f64 = 1e-4;

/// By how much the response's clock is faster, as a share, as far as single sweeps tell: their delay grows with time, and so
/// with the logarithm of frequency. What the equipment itself delays some frequencies by is in it too.
pub fn pace(frequency_hz: &[f64], single: &[Vec<Complex64>], rate: f64, constant: f64) -> f64 {
    let (low, high) = (SETTLED_HZ, SETTLED_SHARE * rate);
    let points: Vec<(f64, f64)> = frequency_hz
        .windows(2)
        .enumerate()
        .filter(|(_, pair)| pair[0] >= low && pair[1] <= high)
        .map(|(band, pair)| {
            let turned: Complex64 = single.iter().map(|values| values[band + 1] * values[band].conj()).sum();
            let delay = -turned.arg() / (std::f64::consts::TAU * (pair[1] - pair[0]));
            (constant * (pair[0] / low).ln(), delay * rate)
        })
        .collect();
    drift(&points).0
}

/// Whether repeats stand where the clock of single sweeps lets them stand: otherwise sound was lost or put in between them.
pub fn steady(places: &[(f64, f64)], pace: f64, constant: f64, rate: f64) -> bool {
    let steps: Vec<(f64, f64)> =
        places.windows(2).map(|pair| (pair[1].0 - pair[0].0, pair[1].1 - pair[0].1)).collect();
    let usual = drift(places).0;
    steps.iter().all(|(time, step)| {
        let own =
            MOST_OWN_DELAY_S * rate * time / (constant * (SETTLED_SHARE * rate / SETTLED_HZ).ln().max(1.0));
        (step - usual * time).abs() <= 1.0 && (step - pace * time).abs() <= 1.0 + own
    })
}

/// The slope of the straight line through points, and its standard error.
pub fn drift(points: &[(f64, f64)]) -> (f64, f64) {
    let count = points.len() as f64;
    if points.len() < 2 {
        return (0.0, 0.0);
    }
    let (x, y) = (
        points.iter().map(|point| point.0).sum::<f64>() / count,
        points.iter().map(|point| point.1).sum::<f64>() / count,
    );
    let along: f64 = points.iter().map(|point| (point.0 - x).powi(2)).sum();
    let slope = points.iter().map(|point| (point.0 - x) * (point.1 - y)).sum::<f64>() / along;
    let left: f64 = points.iter().map(|point| (point.1 - y - slope * (point.0 - x)).powi(2)).sum();
    (slope, (left / (count - 2.0).max(1.0) / along).sqrt())
}

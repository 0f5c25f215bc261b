//! Sound as it is played, in 32-bit floats, and how far two such sounds are apart.

/// Puts a block of sound times a gain in the place of what `played` held, rounded as a device gets it.
pub fn as_played(sound: &[f64], gain: f64, played: &mut Vec<f64>) {
    played.clear();
    played.extend(sound.iter().map(|sample| f64::from((sample * gain) as f32)));
}

/// Sum of the squares of what two sounds of one length differ by, and whether every sample is the same.
pub fn apart(a: &[f64], b: &[f64]) -> (f64, bool) {
    const LANES: usize = 8;
    let ((a_eights, a_rest), (b_eights, b_rest)) = (a.as_chunks::<LANES>(), b.as_chunks::<LANES>());
    let (mut power, mut differing) = ([0.0; LANES], [0_u64; LANES]);
    for (a, b) in a_eights.iter().zip(b_eights) {
        for lane in 0..LANES {
            power[lane] += (a[lane] - b[lane]).powi(2);
            differing[lane] |= a[lane].to_bits() ^ b[lane].to_bits();
        }
    }
    for (lane, (a, b)) in a_rest.iter().zip(b_rest).enumerate() {
        power[lane] += (a - b).powi(2);
        differing[lane] |= a.to_bits() ^ b.to_bits();
    }
    (power.iter().sum(), differing == [0; LANES])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_sample_counts_wherever_it_stands() {
        let sound: Vec<f64> = (0..21).map(|n| f64::from(n) / 64.0).collect();
        assert_eq!(apart(&sound, &sound), (0.0, true));
        for at in 0..sound.len() {
            let mut other = sound.clone();
            other[at] += 0.5;
            assert_eq!(apart(&sound, &other), (0.25, false), "{at}");
        }
        assert_eq!(apart(&[0.0], &[-0.0]), (0.0, false), "bits, and not values, are the same or not");
        let mut played = vec![7.0];
        as_played(&[0.1, -0.3], 2.0, &mut played);
        assert_eq!(played, [f64::from(0.2_f32), f64::from(-0.6_f32)]);
    }
}

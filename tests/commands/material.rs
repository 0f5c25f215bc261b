//! Material for the tests: sound files built byte by byte, tables, sessions around them.

use std::path::Path;

/// A session with one clip from a file and a cable of each kind that reads a table.
pub(crate) fn session(folder: &Path, clip: &str, cable: &str, loudspeaker: &str) {
    let text = format!(
        r#"title = "Invented: one cable against none"
invented = true
protocol = "abx"
trials = 6

[amplifier]
output_resistance = "20 mohm"

[loudspeaker]
{loudspeaker}

[cables.one]
{cable}

[cables.none]
construction = "direct"

[clips.song]
{clip}

[[comparisons]]
name = "one-none"
a = "one"
b = "none"
"#
    );
    std::fs::write(folder.join("session.toml"), text).expect("writing the session");
}

/// A cable from dimensions.
pub(crate) const PAIR: &str = "construction = \"parallel-pair\"\nlength = \"6 m\"\nconductor = \"0.75 mm2\"\n\
                               spacing = \"3.2 mm\"\npermittivity = 3.5";
/// A resistor for a loudspeaker.
pub(crate) const RESISTOR: &str = "resistance = \"8 ohm\"";
/// A short synthesised clip.
pub(crate) const SYNTH: &str = "synth = \"plucked-strings\"\nlength = \"2 s\"";

/// A RIFF WAVE file with these fields, whatever they are.
pub(crate) fn wav(rate: u32, channels: u16, bits: u16, tag: u16, data: &[u8], said_bytes: u32) -> Vec<u8> {
    let block = channels.wrapping_mul(bits / 8);
    let mut file = Vec::new();
    file.extend_from_slice(b"RIFF");
    file.extend_from_slice(&said_bytes.wrapping_add(36).to_le_bytes());
    file.extend_from_slice(b"WAVEfmt ");
    file.extend_from_slice(&16_u32.to_le_bytes());
    file.extend_from_slice(&tag.to_le_bytes());
    file.extend_from_slice(&channels.to_le_bytes());
    file.extend_from_slice(&rate.to_le_bytes());
    file.extend_from_slice(&rate.wrapping_mul(u32::from(block)).to_le_bytes());
    file.extend_from_slice(&block.to_le_bytes());
    file.extend_from_slice(&bits.to_le_bytes());
    file.extend_from_slice(b"data");
    file.extend_from_slice(&said_bytes.to_le_bytes());
    file.extend_from_slice(data);
    file
}

/// Two seconds of a quiet, slowly beating two-tone signal, 16 bit stereo.
pub(crate) fn good_wav(rate: u32) -> Vec<u8> {
    let mut data = Vec::new();
    for frame in 0..rate * 2 {
        let time = f64::from(frame) / f64::from(rate);
        let tone = |hertz: f64| (time * hertz * std::f64::consts::TAU).sin();
        for value in [0.2 * tone(440.0) + 0.1 * tone(6000.0), 0.2 * tone(443.0) + 0.1 * tone(9000.0)] {
            data.extend_from_slice(&((value * 32767.0) as i16).to_le_bytes());
        }
    }
    let length = data.len() as u32;
    wav(rate, 2, 16, 1, &data, length)
}

/// A plausible LCR table, invented.
pub(crate) const LCR: &str = "# invented\nFreq,Rs,Ls,Cp,D\n20,0.021,6.2e-7,1.07e-9,0.017\n1000,0.0211,6.16e-7,1.06e-9,\
                              0.018\n20000,0.0234,5.8e-7,1.05e-9,0.0185\n100000,0.035,5.6e-7,1.04e-9,0.019\n";

//! Sound files of every kind that is read, against independent decoders; and every kind of bad file.

use std::path::{Path, PathBuf};
use std::process::Command;

use earwitness::clip::{ClipSource, OpenClip, Sound};

use crate::commands::material::wav;

fn source(path: &Path) -> ClipSource {
    excerpt(path, 0.0, None)
}

fn excerpt(path: &Path, start_seconds: f64, length_seconds: Option<f64>) -> ClipSource {
    ClipSource::File { path: path.to_path_buf(), start_seconds, length_seconds }
}

fn read(path: &Path) -> Sound {
    OpenClip::open(&source(path)).and_then(|clip| clip.read_all()).unwrap_or_else(|error| panic!("{error}"))
}

fn refusal(source: &ClipSource) -> String {
    OpenClip::open(source)
        .and_then(|clip| clip.read_all())
        .map(|_| ())
        .expect_err("it is refused")
        .to_string()
}

/// Samples of so many bits that use the whole range.
fn words(count: usize, bits: u32) -> Vec<i32> {
    let mut state = 12_345_u64;
    let mut words: Vec<i32> = (0..count)
        .map(|_| {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            (state >> 32) as i32 >> (32 - bits)
        })
        .collect();
    words[0] = i32::MIN >> (32 - bits);
    words[1] = i32::MAX >> (32 - bits);
    words
}

fn write_wav(path: &Path, words: &[i32], channels: u16, bits: u16, rate: u32) {
    let spec = hound::WavSpec {
        channels,
        sample_rate: rate,
        bits_per_sample: bits,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(path, spec).expect("a file");
    for word in words {
        writer.write_sample(*word).expect("a sample");
    }
    writer.finalize().expect("a header");
}

pub(super) fn tool(name: &str, arguments: &[&str], folder: &Path) -> Vec<u8> {
    let output = Command::new(name)
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap_or_else(|error| panic!("these tests need {name}: {error}"));
    assert!(output.status.success(), "{name}: {}", String::from_utf8_lossy(&output.stderr));
    output.stdout
}

#[test]
fn integer_wav_files_are_read_exactly() {
    let folder = tempfile::tempdir().expect("a folder");
    for (bits, channels, rate) in
        [(8, 1, 8_000), (16, 1, 44_100), (16, 2, 48_000), (24, 2, 96_000), (24, 1, 192_000), (32, 2, 176_400)]
    {
        let path = folder.path().join(format!("{bits}-{channels}.wav"));
        let words = words(3_000 * usize::from(channels), u32::from(bits));
        write_wav(&path, &words, channels, bits, rate);
        let sound = read(&path);
        assert_eq!((sound.rate_hz, sound.channels.len()), (rate, usize::from(channels)));
        let scale = 2.0_f64.powi(i32::from(bits) - 1);
        for (i, word) in words.iter().enumerate() {
            let sample = sound.channels[i % usize::from(channels)][i / usize::from(channels)];
            assert_eq!(sample, f64::from(*word) / scale, "{bits} bits, sample {i}");
        }
    }
}

#[test]
fn float_wav_files_of_other_programs_are_read_exactly() {
    let folder = tempfile::tempdir().expect("a folder");
    let words = words(20_000, 24);
    write_wav(&folder.path().join("in.wav"), &words, 2, 24, 48_000);
    // sox and ffmpeg write extensible headers, fact and LIST chunks.
    tool("sox", &["in.wav", "-e", "floating-point", "-b", "32", "sox.wav"], folder.path());
    tool("ffmpeg", &["-v", "error", "-i", "in.wav", "-c:a", "pcm_f32le", "ffmpeg.wav"], folder.path());
    tool("ffmpeg", &["-v", "error", "-i", "in.wav", "-c:a", "pcm_s32le", "wide.wav"], folder.path());
    let expected = read(&folder.path().join("in.wav"));
    for name in ["sox.wav", "ffmpeg.wav", "wide.wav"] {
        assert_eq!(read(&folder.path().join(name)), expected, "{name}");
    }
}

#[test]
fn flac_is_bit_for_bit_what_flac_and_ffmpeg_decode() {
    let folder = tempfile::tempdir().expect("a folder");
    for (bits, channels, rate) in [(16, 2, 44_100), (24, 2, 96_000), (24, 1, 192_000)] {
        // Not noise alone: a tone, so that every kind of prediction is used.
        let words: Vec<i32> = words(60_000 * usize::from(channels), bits)
            .iter()
            .enumerate()
            .map(|(i, word)| (word >> 6) + ((i as f64 * 0.05).sin() * 2.0_f64.powi(bits as i32 - 3)) as i32)
            .collect();
        write_wav(&folder.path().join("in.wav"), &words, channels, bits as u16, rate);
        tool("flac", &["-s", "-f", "-8", "-o", "in.flac", "in.wav"], folder.path());
        tool("flac", &["-s", "-f", "-d", "-o", "flac.wav", "in.flac"], folder.path());
        let ours = read(&folder.path().join("in.flac"));
        assert_eq!(ours, read(&folder.path().join("flac.wav")), "{bits} {channels} {rate}");
        let raw = tool(
            "ffmpeg",
            &["-v", "error", "-i", "in.flac", "-f", "s32le", "-c:a", "pcm_s32le", "-"],
            folder.path(),
        );
        for (i, word) in raw.chunks_exact(4).enumerate() {
            let word = i32::from_le_bytes([word[0], word[1], word[2], word[3]]);
            let sample = ours.channels[i % usize::from(channels)][i / usize::from(channels)];
            assert_eq!(sample * 2_147_483_648.0, f64::from(word), "sample {i}");
        }
        // An excerpt is exactly that part.
        let part = OpenClip::open(&excerpt(&folder.path().join("in.flac"), 0.1, Some(0.05)))
            .and_then(|clip| clip.read_all())
            .expect("an excerpt");
        let from = (0.1 * f64::from(rate)).round() as usize;
        let count = (0.05 * f64::from(rate)).round() as usize;
        assert_eq!(part.channels[0], ours.channels[0][from..from + count]);
    }
}

#[test]
fn lossy_formats_decode_to_what_ffmpeg_decodes() {
    let folder = tempfile::tempdir().expect("a folder");
    let tone: Vec<i32> = (0..96_000)
        .map(|i| ((f64::from(i / 2) * 0.03).sin() * 12_000.0 + (f64::from(i) * 0.31).sin() * 3_000.0) as i32)
        .collect();
    write_wav(&folder.path().join("in.wav"), &tone, 2, 16, 48_000);
    for (name, codec) in [("a.mp3", "libmp3lame"), ("a.ogg", "libvorbis"), ("a.m4a", "aac"), ("a.aac", "aac")]
    {
        tool(
            "ffmpeg",
            &["-v", "error", "-y", "-i", "in.wav", "-c:a", codec, "-b:a", "192k", name],
            folder.path(),
        );
        let raw = tool(
            "ffmpeg",
            &["-v", "error", "-i", name, "-f", "f32le", "-c:a", "pcm_f32le", "-"],
            folder.path(),
        );
        let theirs: Vec<f64> = raw
            .chunks_exact(8)
            .map(|frame| f64::from(f32::from_le_bytes([frame[0], frame[1], frame[2], frame[3]])))
            .collect();
        let ours = read(&folder.path().join(name));
        assert_eq!((ours.rate_hz, ours.channels.len()), (48_000, 2), "{name}");
        // Decoders disagree about the silence that the encoder put in front; the sound itself is the same.
        let ours = &ours.channels[0];
        let error = (-4_096_i64..=4_096)
            .map(|shift| {
                let mut worst = 0.0_f64;
                for i in (10_000..30_000_i64).step_by(7) {
                    let Some(sample) = ours.get((i + shift) as usize) else { return f64::INFINITY };
                    worst = worst.max((sample - theirs[i as usize]).abs());
                    if worst > 1e-3 {
                        break;
                    }
                }
                worst
            })
            .fold(f64::INFINITY, f64::min);
        assert!(error < 5e-5, "{name}: {error}");
    }
}

#[test]
fn excerpts_outside_the_file_are_refused_with_what_is_left() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("second.wav");
    write_wav(&path, &words(48_000, 16), 1, 16, 48_000);
    let clip = OpenClip::open(&excerpt(&path, 0.25, Some(0.5))).expect("an excerpt");
    assert_eq!(clip.info().frames, 24_000);
    for (start, length, said) in [
        (1.0, None, "the file ends at 1.000 s"),
        (0.75, Some(0.5), "at most 0.250 s are left"),
        (-1.0, None, "cannot start at -1 s"),
        (0.0, Some(0.0), "longer than 0 s"),
        (f64::NAN, None, "cannot start at NaN s"),
        (0.0, Some(1e-7), "shorter than one sample"),
    ] {
        let message = refusal(&excerpt(&path, start, length));
        assert!(message.contains(said) && message.contains("second.wav"), "{message}");
    }
}

#[test]
fn bad_files_are_refused_with_name_and_remedy() {
    // The real program is given many more in `bad_sound`.
    let folder = tempfile::tempdir().expect("a folder");
    let put = |name: &str, bytes: &[u8]| -> PathBuf {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).expect("a file");
        path
    };
    let sound = [7; 1200];
    for (name, bytes, said) in [
        ("text.mp3", b"this is no sound at all, only words".repeat(50), "no sound format is recognised"),
        ("fast.wav", wav(1_000_000, 2, 16, 1, &sound, 1200), "1000000 Hz is not allowed"),
        ("three.wav", wav(48_000, 3, 16, 1, &sound, 1200), "3 channels"),
        ("law.wav", wav(48_000, 1, 8, 6, &sound, 1200), "not understood"),
        (
            "large.wav",
            [b"RF64", &wav(48_000, 2, 16, 1, &sound, u32::MAX)[4..]].concat(),
            "promises 4294967295 bytes",
        ),
    ] {
        let message = refusal(&source(&put(name, &bytes)));
        assert!(message.contains(said) && message.contains(name), "{name}: {message}");
    }
    let missing = refusal(&source(&folder.path().join("missing.wav")));
    assert!(missing.contains("no such file"), "{missing}");
    assert!(refusal(&source(folder.path())).contains("folder"));
}

#[test]
fn double_precision_is_read_exactly() {
    let folder = tempfile::tempdir().expect("a folder");
    let values: Vec<f64> = (0..4_000).map(|i| (f64::from(i) * 0.1).sin() / 3.0).collect();
    let data: Vec<u8> = values.iter().flat_map(|value| value.to_le_bytes()).collect();
    let path = folder.path().join("double.wav");
    std::fs::write(&path, wav(48_000, 1, 64, 3, &data, data.len() as u32)).expect("a file");
    assert_eq!(read(&path).channels, [values]);
}

#[test]
fn a_flac_that_is_cut_off_is_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    write_wav(&folder.path().join("in.wav"), &words(96_000, 16), 2, 16, 48_000);
    tool("flac", &["-s", "-f", "-o", "in.flac", "in.wav"], folder.path());
    let whole = std::fs::read(folder.path().join("in.flac")).expect("a file");
    let path = folder.path().join("cut.flac");
    std::fs::write(&path, &whole[..whole.len() / 2]).expect("a file");
    let message = refusal(&source(&path));
    assert!(message.contains("cut.flac") && message.contains("again"), "{message}");
}

#[test]
fn reading_in_blocks_is_reading_the_whole() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("in.wav");
    write_wav(&path, &words(20_000, 24), 2, 24, 48_000);
    let clip = OpenClip::open(&excerpt(&path, 0.01, None)).expect("a clip");
    let whole = clip.read_all().expect("sound");
    let mut reader = clip.reader().expect("a reader");
    let mut parts = vec![Vec::new(); 2];
    loop {
        let block = reader.read(777).expect("a block");
        if block[0].is_empty() {
            break;
        }
        for (part, plane) in parts.iter_mut().zip(block) {
            part.extend(plane);
        }
    }
    assert_eq!(parts, whole.channels);
}

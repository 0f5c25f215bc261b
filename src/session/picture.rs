//! Pictures that pages embed: a club's logo, photographs of a set-up.
//!
//! Comes in: the bytes of a PNG (ISO/IEC 15948) or JPEG file (ITU-T T.81). Goes out: the same picture without anything but the
//! picture: no place, time, camera, text, thumbnail or colour profile, and nothing that was hidden behind its end. It is not
//! decoded: what is kept are the pieces that a decoder needs, byte by byte, so a picture that was cleaned stays as it is when
//! it is cleaned again. Whatever is no picture of a fair size, or a kind that browsers do not show, is refused.
//!
//! Which way is up is the one thing that an Exif record (CIPA DC-008) says of the picture itself: it is written anew, alone.

use base64ct::{Base64, Encoding as _};

/// What every PNG file begins with.
const PNG: [u8; 8] = [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1a, b'\n'];
/// The PNG chunks that make the picture.
const KEPT: [&[u8; 4]; 5] = [b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND"];
/// What every JPEG file begins with: start of image, and the next marker.
const JPEG: [u8; 3] = [0xff, 0xd8, 0xff];
/// A JFIF record (ITU-T T.871) without a density or a thumbnail: colours are luma and chroma.
const JFIF: &[u8] = b"\xff\xe0\x00\x10JFIF\0\x01\x01\0\0\x01\0\x01\0\0";
/// What an Exif record begins with.
const EXIF: &[u8] = b"Exif\0\0";
/// Most scans of a progressive JPEG: cameras write about ten, and each costs a browser the whole picture once more.
const MOST_SCANS: usize = 100;
const CUT: &str = "it ends in the middle of the picture";

/// Most pixels along a side and altogether: a browser has to hold them all.
#[derive(Debug, Clone, Copy)]
pub(super) struct Limits {
    /// Along each side.
    pub(super) side: u32,
    /// Altogether.
    pub(super) pixels: u64,
}

/// How a picture is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Format {
    Png,
    Jpeg,
}

/// A picture, and nothing but the picture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Picture {
    format: Format,
    /// Pixels from left to right and from top to bottom, as it is shown.
    pub size: (u32, u32),
    /// The file.
    pub bytes: Vec<u8>,
}

impl Picture {
    /// The picture in the bytes of a file of one of these formats.
    ///
    /// # Errors
    /// It is none, or too large, or of a kind that browsers do not show.
    pub(super) fn of(bytes: &[u8], formats: &[Format], limits: Limits) -> Result<Self, String> {
        let picture = match bytes {
            bytes if bytes.starts_with(&PNG) && formats.contains(&Format::Png) => png(bytes, limits),
            bytes if bytes.starts_with(&JPEG) && formats.contains(&Format::Jpeg) => jpeg(bytes, limits),
            _ if formats.contains(&Format::Jpeg) => Err("it is neither a JPEG nor a PNG file".to_owned()),
            _ => Err("it is not a PNG file".to_owned()),
        }?;
        Ok(picture)
    }

    /// The picture as an address that holds it whole, for a page that asks nobody for anything.
    pub fn address(&self) -> String {
        let kind = match self.format {
            Format::Png => "png",
            Format::Jpeg => "jpeg",
        };
        format!("data:image/{kind};base64,{}", Base64::encode_string(&self.bytes))
    }
}

impl Limits {
    fn check(self, size: (u32, u32)) -> Result<(u32, u32), String> {
        let sides = [size.0, size.1].iter().all(|side| (1..=self.side).contains(side));
        if sides && u64::from(size.0) * u64::from(size.1) <= self.pixels {
            return Ok(size);
        }
        Err(format!(
            "it has {} x {} pixels; 1 to {} along each side are allowed, and {} altogether",
            size.0, size.1, self.side, self.pixels
        ))
    }
}

fn png(bytes: &[u8], limits: Limits) -> Result<Picture, String> {
    let mut rest = &bytes[PNG.len()..];
    let mut kept = PNG.to_vec();
    let mut size = None;
    loop {
        let (length, after) = rest.split_first_chunk::<4>().ok_or(CUT)?;
        // Length, type, data, check.
        let whole =
            (u32::from_be_bytes(*length) as usize).checked_add(12).filter(|&whole| whole <= rest.len());
        let chunk = &rest[..whole.ok_or(CUT)?];
        let (kind, data) = after.split_first_chunk::<4>().ok_or(CUT)?;
        if size.is_none() {
            let side = |at: usize| {
                data.get(at..at + 4).and_then(|four| four.try_into().ok()).map_or(0, u32::from_be_bytes)
            };
            let found = if kind == b"IHDR" { (side(0), side(4)) } else { (0, 0) };
            size = Some(limits.check(found)?);
        }
        // Some programs would turn it and others not, so nobody could say which way is up.
        if kind == b"eXIf" && turned(&chunk[8..chunk.len() - 4]).is_some() {
            return Err("it is a PNG file that is to be turned: turn it in an image editor and save it anew"
                .to_owned());
        }
        if KEPT.contains(&kind) {
            kept.extend_from_slice(chunk);
        }
        if kind == b"IEND" {
            return Ok(Picture { format: Format::Png, size: size.unwrap_or_default(), bytes: kept });
        }
        rest = &rest[chunk.len()..];
    }
}

/// What has been read of a JPEG file.
#[derive(Default)]
struct Jpeg {
    jfif: bool,
    adobe: Option<[u8; 12]>,
    turned: Option<u8>,
    size: Option<(u32, u32)>,
    scans: usize,
    /// Tables, frame and scans, as they are.
    picture: Vec<u8>,
}

fn jpeg(bytes: &[u8], limits: Limits) -> Result<Picture, String> {
    let mut read = Jpeg::default();
    let mut at = 2;
    loop {
        // A marker may be filled up with any number of the same byte.
        while bytes.get(at..at + 2) == Some(&[0xff, 0xff]) {
            at += 1;
        }
        let [0xff, marker] = *bytes.get(at..at + 2).ok_or(CUT)? else {
            return Err("it is no JPEG file from one end to the other".to_owned());
        };
        at += 2;
        if marker == 0xd9 {
            break;
        }
        let length = bytes.get(at..at + 2).ok_or(CUT)?;
        let length = usize::from(u16::from_be_bytes([length[0], length[1]]));
        let segment = bytes.get(at + 2..at + length).ok_or(CUT)?;
        at += length;
        read.segment(marker, segment, limits)?;
        if marker == 0xda {
            let scan = scan(&bytes[at..]).ok_or(CUT)?;
            read.picture.extend_from_slice(scan);
            at += scan.len();
        }
    }
    let (width, height) = read.size.filter(|_| read.scans > 0).ok_or("there is no picture in it")?;
    // From five on width and height change places.
    let size = if read.turned >= Some(5) { (height, width) } else { (width, height) };
    Ok(Picture { format: Format::Jpeg, size, bytes: read.written() })
}

/// The coded bytes of a scan, up to the next marker that is none of the scan's own.
fn scan(bytes: &[u8]) -> Option<&[u8]> {
    let ends = |pair: &[u8]| pair[0] == 0xff && !matches!(pair[1], 0 | 0xd0..=0xd7);
    bytes.windows(2).position(ends).map(|end| &bytes[..end])
}

impl Jpeg {
    fn segment(&mut self, marker: u8, segment: &[u8], limits: Limits) -> Result<(), String> {
        let begins = |with: &[u8]| segment.starts_with(with);
        match marker {
            // Tables, and how often a scan starts anew.
            0xc4 | 0xdb | 0xdd => {}
            0xda => {
                self.scans += 1;
                if self.size.is_none() || self.scans > MOST_SCANS {
                    return Err(format!(
                        "it has more than {MOST_SCANS} scans, or none that belongs to a picture"
                    ));
                }
            }
            0xc0..=0xc2 => {
                let [8, tall, taller, wide, wider, 1 | 3, ..] = *segment else {
                    return Err("only JPEG files of 8 bits in grey or in three colours are shown everywhere"
                        .to_owned());
                };
                let side = |high: u8, low: u8| u32::from(u16::from_be_bytes([high, low]));
                let size = limits.check((side(wide, wider), side(tall, taller)))?;
                if self.size.replace(size).is_some() {
                    return Err("there are two pictures in it".to_owned());
                }
            }
            0xe0 => {
                self.jfif |= begins(b"JFIF\0");
                return Ok(());
            }
            0xe1 => {
                if begins(EXIF) && self.turned.is_none() {
                    self.turned = turned(&segment[EXIF.len()..]);
                }
                return Ok(());
            }
            // Whether the colours are luma and chroma.
            0xee => {
                if begins(b"Adobe") {
                    self.adobe = segment.first_chunk::<12>().copied();
                }
                return Ok(());
            }
            // Whatever programs write for themselves, and comments.
            0xe2..=0xef | 0xfe => return Ok(()),
            _ => return Err("it is a kind of JPEG file that browsers do not show".to_owned()),
        }
        self.picture.extend([0xff, marker]);
        self.picture.extend(u16::try_from(segment.len() + 2).map_err(|_| CUT)?.to_be_bytes());
        self.picture.extend_from_slice(segment);
        Ok(())
    }

    fn written(&self) -> Vec<u8> {
        let mut bytes = vec![0xff, 0xd8];
        if self.jfif {
            bytes.extend_from_slice(JFIF);
        }
        if let Some(turned) = self.turned {
            bytes.extend_from_slice(b"\xff\xe1\x00\x22");
            bytes.extend_from_slice(EXIF);
            // One entry: orientation, one short number.
            bytes.extend_from_slice(b"MM\0*\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0");
            bytes.extend([turned, 0, 0, 0, 0, 0, 0]);
        }
        if let Some(adobe) = &self.adobe {
            bytes.extend_from_slice(b"\xff\xee\x00\x0e");
            bytes.extend_from_slice(adobe);
        }
        bytes.extend_from_slice(&self.picture);
        bytes.extend([0xff, 0xd9]);
        bytes
    }
}

/// How a picture is turned, 2 to 8, as its Exif record says; `None` where it is not.
fn turned(tiff: &[u8]) -> Option<u8> {
    let big = match tiff.get(..2)? {
        b"MM" => true,
        b"II" => false,
        _ => return None,
    };
    let number = |at: usize, size: usize| -> Option<usize> {
        let bytes = tiff.get(at..at.checked_add(size)?)?;
        let join = |whole: usize, byte: &u8| whole << 8 | usize::from(*byte);
        Some(if big { bytes.iter().fold(0, join) } else { bytes.iter().rev().fold(0, join) })
    };
    let first = number(4, 4)?;
    let entries = number(first, 2)?;
    let entry = (0..entries).map(|entry| first + 2 + 12 * entry).find(|at| number(*at, 2) == Some(0x112))?;
    let value = number(entry + 8, 2).filter(|_| number(entry + 2, 2) == Some(3))?;
    (2..=8).contains(&value).then_some(value as u8)
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMITS: Limits = Limits { side: 2000, pixels: 3_000_000 };

    fn cleaned(bytes: &[u8]) -> Result<Vec<u8>, String> {
        Picture::of(bytes, &[Format::Png, Format::Jpeg], LIMITS).map(|picture| picture.bytes)
    }

    fn chunk(kind: [u8; 4], data: &[u8]) -> Vec<u8> {
        let length = u32::try_from(data.len()).expect("small").to_be_bytes();
        [&length[..], &kind, data, &[0; 4]].concat()
    }

    fn header(width: u32, height: u32) -> Vec<u8> {
        chunk(*b"IHDR", &[&width.to_be_bytes()[..], &height.to_be_bytes(), &[8, 2, 0, 0, 0]].concat())
    }

    fn segment(marker: u8, data: &[u8]) -> Vec<u8> {
        let length = u16::try_from(data.len() + 2).expect("small").to_be_bytes();
        [&[0xff, marker][..], &length, data].concat()
    }

    fn frame(marker: u8, width: u16, height: u16) -> Vec<u8> {
        let sides = [height.to_be_bytes(), width.to_be_bytes()].concat();
        segment(marker, &[&[8][..], &sides, &[3, 1, 0x22, 0, 2, 0x11, 1, 3, 0x11, 1]].concat())
    }

    /// Bytes of a scan with a stuffed byte and a restart.
    const CODED: &[u8] = b"\xff\xda\x00\x08\x01\x01\x00\x00\x3f\x00pixels\xff\x00more\xff\xd0rest";

    /// Orientation, place and camera as a little-endian Exif record has them.
    fn exif(turned: u8) -> Vec<u8> {
        let entry = |tag: u16, kind: u16, count: u32, value: u32| {
            [&tag.to_le_bytes()[..], &kind.to_le_bytes(), &count.to_le_bytes(), &value.to_le_bytes()].concat()
        };
        let ifd = [
            &3_u16.to_le_bytes()[..],
            &entry(0x10f, 2, 11, 60),
            &entry(0x112, 3, 1, u32::from(turned)),
            &entry(0x8825, 4, 1, 80),
            &[0; 4],
        ]
        .concat();
        [EXIF, b"II*\0\x08\0\0\0", &ifd, b"Mill Lane 7 camera 52.1234 N 7.4321 E"].concat()
    }

    #[test]
    fn only_the_picture_is_kept() {
        let told = chunk(*b"tEXt", b"Author\0Ida of Mill Lane 7");
        let camera = chunk(*b"eXIf", b"where it was taken");
        let (pixels, end) = (chunk(*b"IDAT", b"pixels"), chunk(*b"IEND", b""));
        let file = [&PNG[..], &header(64, 32), &told, &camera, &pixels, &end, b"hidden behind"].concat();
        let expected = [&PNG[..], &header(64, 32), &pixels, &end].concat();
        assert_eq!(cleaned(&file), Ok(expected.clone()));
        assert_eq!(cleaned(&expected), Ok(expected), "once clean, always clean");
        let turned = chunk(*b"eXIf", &exif(6)[EXIF.len()..]);
        let file = [&PNG[..], &header(64, 32), &turned, &pixels, &end].concat();
        assert!(cleaned(&file).expect_err("which way is up?").contains("turn it"));
    }

    #[test]
    fn of_a_photograph_only_the_picture_and_which_way_is_up_are_kept() {
        let secrets = [
            segment(0xe0, b"JFIF\0\x01\x02\x01\0\x48\0\x48\x01\x01thumbnail"),
            segment(0xe1, &exif(6)),
            segment(0xe1, b"http://ns.adobe.com/xap/1.0/\0<x:xmpmeta>Ida</x:xmpmeta>"),
            segment(0xe2, b"ICC_PROFILE\0\x01\x01Mill Lane display"),
            segment(0xed, b"Photoshop 3.0\0byline Ida"),
            segment(0xfe, b"taken by Ida"),
        ]
        .concat();
        let tables = [segment(0xdb, &[1; 65]), segment(0xc4, &[2; 20])].concat();
        let adobe = segment(0xee, b"Adobe\0\x64\0\0\0\0\x01");
        let start = frame(0xc2, 300, 200);
        // Filled markers, two scans, and another picture behind the end.
        let file = [
            &b"\xff\xd8"[..],
            &secrets,
            &adobe,
            &tables,
            b"\xff\xff",
            &start,
            CODED,
            &segment(0xfe, b"Ida"),
            CODED,
            b"\xff\xd9",
            b"\xff\xd8hidden",
        ]
        .concat();
        let found = Picture::of(&file, &[Format::Jpeg], LIMITS).expect("a photograph");
        assert_eq!(found.size, (200, 300), "turned by a quarter");
        let text = String::from_utf8_lossy(&found.bytes).into_owned();
        for secret in ["Mill", "52.1", "Ida", "xmp", "ICC", "Photoshop", "thumbnail", "hidden"] {
            assert!(!text.contains(secret), "{secret}: {text}");
        }
        assert_eq!(turned(&found.bytes[JFIF.len() + 2 + 4 + EXIF.len()..]), Some(6));
        let expected = [&adobe[..], &tables, &start, CODED, CODED, b"\xff\xd9"].concat();
        assert!(found.bytes.ends_with(&expected), "{text}");
        assert_eq!(cleaned(&found.bytes), Ok(found.bytes.clone()), "once clean, always clean");
        assert!(found.address().starts_with("data:image/jpeg;base64,/9j/"));
    }

    #[test]
    fn what_is_no_picture_of_a_fair_size_is_refused() {
        let refused = |bytes: &[u8], why: &str| {
            let said = cleaned(bytes).expect_err(why);
            assert!(said.contains(why), "{said}");
        };
        let end = chunk(*b"IEND", b"");
        refused(b"<svg onload=alert(1)>", "neither a JPEG nor a PNG");
        refused(&[&PNG[..], &header(60_000, 60_000), &end].concat(), "60000 x 60000 pixels");
        refused(&[&PNG[..], &header(1900, 1900), &end].concat(), "3000000 altogether");
        refused(&[&PNG[..], &end].concat(), "pixels");
        refused(&[&PNG[..], &header(64, 64)].concat(), "middle");
        refused(&[&PNG[..], &header(64, 64), &u32::MAX.to_be_bytes(), b"IDAT"].concat(), "middle");
        let jpeg = |pieces: &[&[u8]]| [&[&b"\xff\xd8"[..]], pieces, &[&b"\xff\xd9"[..]]].concat().concat();
        let start = frame(0xc0, 30, 20);
        assert!(cleaned(&jpeg(&[&start, CODED])).is_ok());
        refused(&jpeg(&[&frame(0xc0, 60_000, 60_000), CODED]), "60000 x 60000");
        refused(&jpeg(&[&frame(0xc0, 30, 0), CODED]), "30 x 0");
        refused(&jpeg(&[&start, &start, CODED]), "two pictures");
        refused(&jpeg(&[&start]), "no picture");
        refused(&jpeg(&[CODED]), "scans");
        refused(&jpeg(&[&frame(0xc9, 30, 20), CODED]), "browsers do not show");
        refused(&jpeg(&[&start, &CODED.repeat(101)]), "scans");
        refused(&jpeg(&[&start, b"text"]), "from one end to the other");
        refused(&jpeg(&[b"\xff\xe1\x00\x00"]), "middle");
        let whole = jpeg(&[&segment(0xe1, &exif(3)), &start, CODED]);
        for length in 3..whole.len() {
            assert!(cleaned(&whole[..length]).is_err(), "cut at {length}");
        }
        // Changed by machine: refused, or a picture that stays as it is.
        let file =
            jpeg(&[&segment(0xe1, &exif(6)), &segment(0xdb, &[1; 65]), &frame(0xc2, 30, 20), CODED, CODED]);
        let mut state = 9_u64;
        for _ in 0..2000 {
            let mut changed = file.clone();
            for _ in 0..3 {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                changed[(state >> 33) as usize % file.len()] = (state >> 25) as u8;
            }
            if let Ok(clean) = cleaned(&changed) {
                assert!(clean.len() <= changed.len());
                assert_eq!(cleaned(&clean), Ok(clean.clone()), "{changed:?}");
            }
        }
        // Whatever the Exif record says of itself, it is a number or nothing.
        for at in 0..exif(3).len() {
            let mut broken = exif(3);
            broken[at] = 0xff;
            let _ = turned(&broken[EXIF.len()..]);
        }
    }
}

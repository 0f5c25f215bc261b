//! Where a line's name can stand beside it, without touching any line, mark or other name.

/// Mean width of a letter in units of the view box, at the size of a figure's text.
pub(super) const LETTER: f64 = 6.6;

/// By how much wider letters of names are, which are bold.
const BOLD: f64 = 1.1;

/// A rectangle of a drawing, in units of the view box; y grows downwards.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Area {
    pub(super) x0: f64,
    pub(super) x1: f64,
    pub(super) y0: f64,
    pub(super) y1: f64,
}

impl Area {
    /// A square around a point.
    pub(super) fn around((x, y): (f64, f64), half: f64) -> Self {
        Self { x0: x - half, x1: x + half, y0: y - half, y1: y + half }
    }

    fn grown(self, by: f64) -> Self {
        Self { x0: self.x0 - by, x1: self.x1 + by, y0: self.y0 - by, y1: self.y1 + by }
    }

    fn holds(&self, (x, y): (f64, f64)) -> bool {
        x >= self.x0 && x <= self.x1 && y >= self.y0 && y <= self.y1
    }

    fn meets(&self, other: &Self) -> bool {
        self.x0 < other.x1 && other.x0 < self.x1 && self.y0 < other.y1 && other.y0 < self.y1
    }

    fn within(&self, outer: &Self) -> bool {
        self.x0 >= outer.x0 && self.x1 <= outer.x1 && self.y0 >= outer.y0 && self.y1 <= outer.y1
    }
}

/// Height of a name.
const HEIGHT: f64 = 15.0;
/// Places along a line that are tried.
const PLACES: usize = 24;
/// A name may stand no further from its line.
const FURTHEST: f64 = 26.0;
/// How far other lines keep away from a name, first and then, if there is no such place.
const CLEAR: [f64; 2] = [9.0, 2.5];

/// Points of a line that are no further apart than a name could hide.
fn sampled(line: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let mut points: Vec<(f64, f64)> = line.first().copied().into_iter().collect();
    for pair in line.windows(2) {
        let ((x0, y0), (x1, y1)) = (pair[0], pair[1]);
        let steps = ((x1 - x0).hypot(y1 - y0) / 3.0).ceil().max(1.0);
        points.extend((1..=steps as usize).map(|step| {
            let share = step as f64 / steps;
            (x0 + share * (x1 - x0), y0 + share * (y1 - y0))
        }));
    }
    points
}

/// The best place for a line's name inside `plot`, or none.
pub(super) fn beside<'l>(
    line: &[(f64, f64)],
    name: &str,
    lines: impl Iterator<Item = &'l Vec<(f64, f64)>>,
    taken: &[Area],
    plot: Area,
) -> Option<Area> {
    let width = BOLD * LETTER * name.chars().count() as f64 + 6.0;
    let own = sampled(line);
    let others: Vec<(f64, f64)> =
        lines.filter(|other| other.as_slice() != line).flat_map(|other| sampled(other)).collect();
    let candidates = candidates(&own, width);
    CLEAR.into_iter().find_map(|clear| {
        let free = candidates.iter().filter(|(place, _)| {
            let wide = place.grown(clear);
            place.within(&plot)
                && !own.iter().any(|point| place.grown(1.0).holds(*point))
                && !others.iter().any(|point| wide.holds(*point))
                && !taken.iter().any(|other| place.grown(2.0).meets(other))
        });
        free.min_by(|one, other| one.1.total_cmp(&other.1)).map(|(place, _)| *place)
    })
}

/// Places beside a line with how bad each is: far from the line, or far from its end.
fn candidates(own: &[(f64, f64)], width: f64) -> Vec<(Area, f64)> {
    let (Some(first), Some(last)) = (own.first(), own.last()) else { return Vec::new() };
    if (first.0 - last.0).abs() < 1.0 {
        let (top, x) = (first.1.min(last.1), first.0);
        let rows = (0..6).flat_map(|row| {
            let y0 = top + 2.0 + HEIGHT * f64::from(row);
            [x + 4.0, x - 4.0 - width].map(|x0| {
                (Area { x0, x1: x0 + width, y0, y1: y0 + HEIGHT }, f64::from(row) + f64::from(x0 < x))
            })
        });
        return rows.collect();
    }
    let (from, to) = (first.0.min(last.0), first.0.max(last.0));
    let mut all = Vec::new();
    for place in 0..=PLACES {
        let x0 = from + (to - from - width) * place as f64 / PLACES as f64;
        let spanned = || own.iter().filter(|(x, _)| *x >= x0 && *x <= x0 + width).map(|(_, y)| *y);
        let (top, bottom) = (spanned().fold(f64::INFINITY, f64::min), spanned().fold(0.0, f64::max));
        if !top.is_finite() {
            continue;
        }
        for y0 in [top - HEIGHT - 3.0, bottom + 3.0] {
            let area = Area { x0, x1: x0 + width, y0, y1: y0 + HEIGHT };
            let far = bottom - top;
            if far <= FURTHEST {
                all.push((area, far + 6.0 * (1.0 - place as f64 / PLACES as f64)));
            }
        }
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLOT: Area = Area { x0: 0.0, x1: 400.0, y0: 0.0, y1: 200.0 };

    #[test]
    fn a_name_touches_no_line() {
        let flat = |y: f64| vec![(0.0, y), (400.0, y)];
        let lines = [flat(60.0), flat(100.0)];
        let place = beside(&lines[1], "second", lines.iter(), &[], PLOT).expect("there is room");
        assert!(place.within(&PLOT) && !lines.iter().any(|line| place.holds((place.x0, line[0].1))));
        assert!((place.y0 - 100.0).abs() < FURTHEST, "beside its own line: {place:?}");
        // Between lines that leave no room, it stands nowhere.
        let close = [flat(100.0), flat(108.0), flat(92.0), flat(116.0), flat(84.0)];
        assert_eq!(beside(&close[0], "second", close.iter(), &[], PLOT), None);
    }

    #[test]
    fn names_keep_away_from_one_another() {
        let line = vec![(200.0, 0.0), (200.0, 200.0)];
        let lines = [line.clone()];
        let one = beside(&line, "needed: 12", lines.iter(), &[], PLOT).expect("there is room");
        let other = beside(&line, "a guesser", lines.iter(), &[one], PLOT).expect("there is room");
        assert!(!one.meets(&other), "{one:?} {other:?}");
    }
}

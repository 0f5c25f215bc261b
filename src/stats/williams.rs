//! Orders in which several comparisons are heard, one after the other, so that over a panel each stands in each place equally
//! often and follows each other one equally often: the designs of E. J. Williams, "Experimental designs balanced for the
//! estimation of residual effects of treatments", Australian Journal of Scientific Research A 2 (1949), 149-168.
//!
//! For an even number t of comparisons t rows do it; an odd one needs 2t: the square and its mirror image.

/// Rows of the design for so many comparisons.
pub fn rows(comparisons: usize) -> usize {
    if comparisons < 2 || comparisons.is_multiple_of(2) { comparisons } else { 2 * comparisons }
}

/// The comparisons in the order of a row, numbered from 0. Rows 0 to t - 1 are the first one, 0 1 t-1 2 t-2 ..., with the row's
/// number added modulo t; for an odd t the rows from t on are those backwards.
///
/// ```
/// use earwitness_numerics::stats::williams::row;
/// assert_eq!(row(4, 0), [0, 1, 3, 2]);
/// assert_eq!(row(4, 1), [1, 2, 0, 3]);
/// assert_eq!(row(3, 3), [2, 1, 0]);
/// ```
pub fn row(comparisons: usize, row: usize) -> Vec<usize> {
    let zigzag = |place: usize| match place {
        0 => 0,
        odd if odd % 2 == 1 => odd.div_ceil(2),
        even => comparisons - even / 2,
    };
    let mut order: Vec<usize> = (0..comparisons).map(|place| (zigzag(place) + row) % comparisons).collect();
    if row >= comparisons {
        order.reverse();
    }
    order
}

/// The rows that had the fewest of the sittings so far, given the row of each of those: one of them comes next, so that
/// the rows are used equally often whenever their number has sat.
pub fn next_of(comparisons: usize, used: &[usize]) -> Vec<usize> {
    let times = |row: &usize| used.iter().filter(|one| *one == row).count();
    let fewest = (0..rows(comparisons)).map(|row| times(&row)).min().unwrap_or(0);
    (0..rows(comparisons)).filter(|row| times(row) == fewest).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// How often each comparison stands in each place, and how often each follows each other one.
    fn balance(comparisons: usize, used: &[usize]) -> (Vec<Vec<u32>>, Vec<Vec<u32>>) {
        let empty = vec![vec![0; comparisons]; comparisons];
        let (mut places, mut pairs) = (empty.clone(), empty);
        for &number in used {
            let order = row(comparisons, number);
            for (place, &one) in order.iter().enumerate() {
                places[one][place] += 1;
            }
            for pair in order.windows(2) {
                pairs[pair[0]][pair[1]] += 1;
            }
        }
        (places, pairs)
    }

    /// What Williams (1949) asks of a design, counted out.
    #[test]
    fn each_stands_in_each_place_and_follows_each_other_one_equally_often() {
        for comparisons in 2..=12 {
            let all: Vec<usize> = (0..rows(comparisons)).collect();
            let often = all.len() as u32 / comparisons as u32;
            let (places, pairs) = balance(comparisons, &all);
            for one in 0..comparisons {
                for other in 0..comparisons {
                    assert_eq!(places[one][other], often, "{comparisons}: {one} in place {other}");
                    let expected = if one == other { 0 } else { often };
                    assert_eq!(pairs[one][other], expected, "{comparisons}: {one} before {other}");
                }
            }
        }
    }

    #[test]
    fn rows_that_were_used_least_come_next() {
        assert_eq!(next_of(4, &[]), [0, 1, 2, 3]);
        assert_eq!(next_of(4, &[2, 0]), [1, 3]);
        assert_eq!(next_of(4, &[2, 0, 1, 3]), [0, 1, 2, 3]);
        // Two that sat at the same time on two computers may have had the same row: the others come first.
        assert_eq!(next_of(4, &[2, 2, 1, 3]), [0]);
        assert_eq!(next_of(3, &[0, 1, 2]), [3, 4, 5]);
        // A number that is no row changes nothing.
        assert_eq!(next_of(2, &[7]), [0, 1]);
        assert_eq!(next_of(1, &[]), [0]);
    }
}

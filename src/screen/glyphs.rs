//! Letters large enough to be read across a room: six by six dots in half blocks, so three rows of six cells.

/// Rows of dots; bit 5 is the leftmost.
const DOTS: &[(char, [u8; 6])] = &[
    ('A', [0b001100, 0b010010, 0b100001, 0b111111, 0b100001, 0b100001]),
    ('B', [0b111110, 0b100001, 0b111110, 0b100001, 0b100001, 0b111110]),
    ('R', [0b111110, 0b100001, 0b111110, 0b100100, 0b100010, 0b100001]),
    ('X', [0b100001, 0b010010, 0b001100, 0b001100, 0b010010, 0b100001]),
    ('1', [0b001100, 0b011100, 0b001100, 0b001100, 0b001100, 0b011110]),
    ('2', [0b011110, 0b100001, 0b000010, 0b001100, 0b010000, 0b111111]),
    ('3', [0b111110, 0b000001, 0b011110, 0b000001, 0b000001, 0b111110]),
    ('4', [0b000110, 0b001010, 0b010010, 0b111111, 0b000010, 0b000010]),
];

/// The letter in three rows of six cells; a letter without dots stands alone in the middle row.
pub fn rows(letter: char) -> [String; 3] {
    let Some((_, dots)) = DOTS.iter().find(|(name, _)| *name == letter) else {
        return [" ".repeat(6), format!("{letter:^6}"), " ".repeat(6)];
    };
    std::array::from_fn(|row| {
        let (upper, lower) = (dots[2 * row], dots[2 * row + 1]);
        (0..6)
            .rev()
            .map(|bit| match (upper >> bit & 1, lower >> bit & 1) {
                (1, 1) => '█',
                (1, _) => '▀',
                (_, 1) => '▄',
                _ => ' ',
            })
            .collect()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_letter_differs_and_fills_six_cells() {
        let all: Vec<_> = DOTS.iter().map(|(letter, _)| rows(*letter)).collect();
        for (index, letter) in all.iter().enumerate() {
            assert!(letter.iter().all(|row| row.chars().count() == 6));
            assert!(!all[..index].contains(letter));
        }
    }
}

//! The written format as a page, for strangers, and its test vectors.

/// The page.
pub const PAGE: &str = include_str!("FORMAT.md");

#[cfg(test)]
mod tests {
    use super::PAGE;
    use crate::stats::williams;
    use crate::trial::chain;
    use crate::trial::digest::hex;
    use crate::trial::lock::hmac_sha256;
    use crate::trial::seal::{Stream, hand_hash};
    use crate::trial::{Definition, Digest, Record, Secret, witness};

    fn vector(what: &str) -> &'static str {
        let row = PAGE.lines().find(|line| line.starts_with(&format!("| {what} | `")));
        let row = row.unwrap_or_else(|| panic!("no vector for {what}"));
        row.split('`').rev().nth(1).expect("a value between backticks")
    }

    #[test]
    fn the_vectors_of_the_page_are_what_this_program_does() {
        // The values were computed by a page of Python, not by this program.
        let secret = Secret::from_bytes(std::array::from_fn(|index| index as u8));
        assert_eq!(vector("secret"), hex(secret.bytes()));
        assert_eq!(vector("its commitment"), secret.commitment(2).hex());
        let hand = Digest(std::array::from_fn(|index| 255 - index as u8));
        assert_eq!(vector("a phone's hand"), hand.hex());
        assert_eq!(vector("its hash"), hand_hash(&hand).hex());
        let key = secret.key(2, [hand.0.as_slice(), vector("then a typed hand").as_bytes()]);
        assert_eq!(vector("key of the secret and both hands"), key.hex());
        let mut bytes = [0; 16];
        Stream::new(key).fill(&mut bytes);
        assert_eq!(vector("first 16 bytes of the stream"), hex(&bytes));
        let mut stream = Stream::new(key);
        let spaced = |numbers: &[usize]| numbers.iter().map(usize::to_string).collect::<Vec<_>>().join(" ");
        let draws = [2, 2, 2, 2, 6, 6, 3, 1, 10].map(|count| stream.below(count));
        assert_eq!(vector("`below` of 2 2 2 2 6 6 3 1 10").to_owned(), spaced(&draws));
        let mut items: Vec<usize> = (0..8).collect();
        stream.shuffle(&mut items);
        assert_eq!(vector("then `shuffle` of 0 to 7"), spaced(&items));
        let link = Digest([9; 32]);
        assert_eq!(vector("a witness's link"), link.hex());
        assert_eq!(vector("the link before it"), witness::before(&link).hex());
        let one = witness::trial_key(&key, &[link]);
        assert_eq!(vector("key of a trial with the key above and this link"), one.hex());
        let once = {
            let mut stream = Stream::new(one);
            let mut drawn: Vec<usize> = (0..6).map(|_| stream.below(2)).collect();
            drawn.push([0, 2, 3][stream.below(3)]);
            drawn
        };
        assert_eq!(
            vector("drawn once by that key: `exchanged` of 6 comparisons, then `row` of `rows` 0 2 3"),
            spaced(&once)
        );
        assert_eq!(vector("`row` 3 of 4 comparisons"), spaced(&williams::row(4, 3)));
        assert_eq!(vector("`row` 4 of 3 comparisons"), spaced(&williams::row(3, 4)));
        let both = witness::trial_key(&key, &[link, witness::before(&link)]);
        assert_eq!(vector("with both of these links, the one before it second"), both.hex());
        let record = Record::Accepted { at_ms: 0, by: "Ida".to_owned() };
        let line = chain::encode(1, Digest::NOTHING, Some(1_769_890_500_000), &record).expect("it encodes");
        assert_eq!(vector("a line (no journal begins so)").as_bytes(), line);
        let digest = Digest::of(&line);
        assert_eq!(vector("its digest, the next line's chain"), digest.hex());
        assert_eq!(vector("the digest as a receipt in words"), digest.in_words());
        assert_eq!(
            vector("`verifier` where K is 32 bytes 03"),
            hmac_sha256(&[3; 32], b"earwitness verifier v2").hex()
        );
        assert_eq!(
            vector("`proof` where the line's chain is that digest"),
            hmac_sha256(&[3; 32], &digest.0).hex()
        );
    }

    #[test]
    fn the_table_of_protocols_is_the_one_that_is_conducted() {
        for protocol in crate::stats::Protocol::ALL {
            let definition = Definition::of(protocol);
            let row = PAGE.lines().find(|line| line.starts_with(&format!("| {} | ", protocol.name())));
            let row = row.unwrap_or_else(|| panic!("{protocol} is not on the page"));
            let cells: Vec<&str> = row.split('|').map(str::trim).collect();
            let orders: Vec<String> = definition
                .orders
                .iter()
                .map(|order| {
                    order.iter().map(|side| if *side == crate::trial::Side::A { 'a' } else { 'b' }).collect()
                })
                .collect();
            assert_eq!(cells[2], orders.join(" "), "{protocol}");
            let names: Vec<&str> =
                definition.alternatives.iter().map(|alternative| alternative.name).collect();
            assert_eq!(cells[3], names.join(" "), "{protocol}");
        }
    }
}

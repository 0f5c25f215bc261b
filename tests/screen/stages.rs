//! Every stage at 80x24 and at 60x20.

use earwitness::screen::{Block, Stage};

use super::{abx, page, preparing, shown, slot, typing};

#[test]
fn try_look() {
    for (w, h) in [(80, 24), (60, 20), (120, 40)] {
        println!("{}", shown(w, h, Stage::Trial(abx())));
    }
    let mut four = abx();
    four.slots = "1234".chars().map(|c| slot(c, "")).collect();
    four.answers =
        vec!["1 with 2, 3 with 4".into(), "1 with 3, 2 with 4".into(), "1 with 4, 2 with 3".into()];
    println!("{}", shown(80, 24, Stage::Trial(four.clone())));
    println!("{}", shown(60, 20, Stage::Trial(four.clone())));
    println!("{}", shown(80, 24, Stage::Page(typing())));
    println!("{}", shown(60, 20, Stage::Page(preparing())));
    println!("{}", shown(50, 10, Stage::Page(preparing())));
    let blocks = vec![
        Block::Score { trials: 16, needed: Some(12), chance: 8.0, reached: Some(13) },
        Block::Score { trials: 16, needed: Some(12), chance: 8.0, reached: None },
        Block::Score { trials: 10, needed: Some(9), chance: 5.0, reached: Some(5) },
        Block::Answers(vec![true, false, true]),
        Block::caution("careful"),
    ];
    println!("{}", shown(80, 24, Stage::Page(page(earwitness::screen::StageKind::Page, blocks))));
}

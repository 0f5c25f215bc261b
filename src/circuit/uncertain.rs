//! Two chains with every value in them that is known within limits, for whoever propagates uncertainty.

use super::limit::{Limit, Quantity};
use super::{Chain, CircuitError};

/// A value that is known within limits, and where it is.
#[derive(Debug, Clone, PartialEq)]
pub struct Input {
    /// What it is and how well it is known.
    pub limit: Limit,
    /// Which side of the comparison it belongs to: 0 is A, 1 is B; `None`: to both.
    pub side: Option<usize>,
    part: usize,
}

/// Two chains to be compared and every value in them that is known within limits.
#[derive(Debug, Clone, PartialEq)]
pub struct Uncertain {
    sides: [Chain; 2],
    inputs: Vec<Input>,
}

impl Uncertain {
    /// Two chains with the same loudspeaker, ready to be computed many times at exactly these frequencies in Hz.
    pub fn new(a: &Chain, b: &Chain, frequencies_hz: &[f64]) -> Result<Self, CircuitError> {
        let mut inputs = Vec::new();
        let mut sides = [a.clone(), b.clone()];
        for (side, chain) in sides.iter_mut().enumerate() {
            let mut part = 0;
            chain.cable.for_each_toleranced(&mut |known| {
                inputs.extend(known.limits.iter().map(|limit| Input {
                    limit: limit.clone(),
                    side: Some(side),
                    part,
                }));
                part += 1;
            });
        }
        let shared = a.loudspeaker.limits().into_iter().chain(a.amplifier.limits());
        inputs.extend(shared.map(|limit| Input { limit, side: None, part: 0 }));
        inputs.retain(|input| input.limit.half_width > 0.0);
        if !inputs.is_empty() {
            for chain in &mut sides {
                chain.cable = chain.cable.solved_at(frequencies_hz)?;
            }
        }
        Ok(Self { sides, inputs })
    }

    /// Everything that is known within limits.
    pub fn inputs(&self) -> &[Input] {
        &self.inputs
    }

    /// Both chains with each input moved by so many half-widths, in the order of [`Uncertain::inputs`].
    pub fn moved(&self, half_widths: &[f64]) -> [Chain; 2] {
        let mut sides = self.sides.clone();
        for (input, by) in self.inputs.iter().zip(half_widths) {
            match input.side {
                Some(side) => {
                    let mut part = 0;
                    sides[side].cable.for_each_toleranced(&mut |known| {
                        if part == input.part {
                            known.moved.push((input.limit.clone(), *by));
                        }
                        part += 1;
                    });
                }
                None => {
                    let by = by * input.limit.half_width;
                    for chain in &mut sides {
                        match input.limit.quantity {
                            Quantity::OutputImpedance | Quantity::OutputScatter => {
                                chain.amplifier.impedance_shift.re += by;
                            }
                            Quantity::OutputAngleScatter => chain.amplifier.impedance_shift.im += by,
                            Quantity::LoadAngleScatter => chain.loudspeaker.impedance_shift.im += by,
                            _ => chain.loudspeaker.impedance_shift.re += by,
                        }
                    }
                }
            }
        }
        sides
    }
}

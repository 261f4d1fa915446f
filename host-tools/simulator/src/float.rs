//! The float: follows the liquid with play, friction or not at all.

/// What holds the float.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Jam {
    Free,
    /// Will be caught where it next turns upwards after a release; least position so far.
    AtNextLow {
        least: f64,
    },
    /// Will be caught where it next turns downwards from rest; greatest position so far.
    AtNextRest {
        greatest: f64,
    },
    /// Dragged to a position and held there.
    At(f64),
}

/// How far a float must turn before it counts as turned, of the stroke.
const TURN: f64 = 0.003;
/// Breakaway of a float in nothing but grease, of the stroke.
const GREASY_BREAKAWAY: f64 = 0.12;
/// Speed at which rag drags a float to where it jams, strokes a second.
const DRAG_PER_S: f64 = 0.05;

#[derive(Clone, Debug)]
pub(crate) struct Float {
    /// Position, 0 fully down .. 1 fully up.
    pub(crate) position: f64,
    /// Play each way, of the stroke.
    play: f64,
    /// How much deeper it sits in the liquid than a clean one, of the stroke.
    pub(crate) sunk: f64,
    /// Grease on the guide, 0 none .. 1.
    pub(crate) grease: f64,
    is_slipping: bool,
    jam: Jam,
}

impl Float {
    pub(crate) fn new(position: f64, play: f64) -> Float {
        Float { position, play, sunk: 0.0, grease: 0.0, is_slipping: false, jam: Jam::Free }
    }

    pub(crate) fn jam_at(&mut self, position: f64) {
        self.jam = Jam::At(position);
    }

    pub(crate) fn jam_at_next_low(&mut self) {
        self.jam = Jam::AtNextLow { least: f64::MAX };
    }

    pub(crate) fn jam_at_next_rest(&mut self) {
        self.jam = Jam::AtNextRest { greatest: f64::MIN };
    }

    pub(crate) fn is_held(&self) -> bool {
        matches!(self.jam, Jam::At(_))
    }

    /// What the liquid must go before grease lets it follow, of the stroke.
    pub(crate) fn friction(&self) -> f64 {
        GREASY_BREAKAWAY * self.grease
    }

    pub(crate) fn free(&mut self) {
        self.jam = Jam::Free;
    }

    /// Lets it follow a liquid level for a step; the small orifice's positions tell a release from a rest.
    #[inline]
    pub(crate) fn follow(&mut self, level: f64, dt: f64, opens_below: f64, closes_above: f64) {
        if let Jam::At(position) = self.jam {
            let most = DRAG_PER_S * dt;
            self.position += (position - self.position).clamp(-most, most);
            return;
        }
        let level = level - self.sunk;
        if self.grease > 0.0 {
            self.slip(level, dt);
        } else {
            self.position = self.position.clamp(level - self.play, level + self.play).clamp(0.0, 1.0);
        }
        if self.jam != Jam::Free {
            self.be_caught(opens_below, closes_above);
        }
    }

    /// Sticks until the liquid has gone a breakaway distance, then slips after it slowly.
    fn slip(&mut self, level: f64, dt: f64) {
        let breakaway = self.play + self.friction();
        let speed = 0.25 * (1.05 - self.grease);
        let behind = level.clamp(0.0, 1.0) - self.position;
        if behind.abs() > breakaway {
            self.is_slipping = true;
        } else if behind.abs() < 0.25 * breakaway {
            self.is_slipping = false;
        }
        // At its ends the float is not driven further than the liquid can push it.
        if self.is_slipping {
            let most = speed * dt;
            self.position = (self.position + behind.clamp(-most, most)).clamp(0.0, 1.0);
        }
    }

    fn be_caught(&mut self, opens_below: f64, closes_above: f64) {
        match &mut self.jam {
            Jam::AtNextLow { least } if self.position < opens_below || *least < f64::MAX => {
                *least = least.min(self.position);
                if self.position > *least + TURN {
                    self.jam = Jam::At(*least);
                }
            }
            Jam::AtNextRest { greatest } if self.position > closes_above || *greatest > f64::MIN => {
                *greatest = greatest.max(self.position);
                if self.position < *greatest - TURN || *greatest >= 1.0 {
                    self.jam = Jam::At(*greatest);
                }
            }
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clean_float_lags_the_liquid_by_its_play_only() {
        let mut float = Float::new(0.5, 0.01);
        float.follow(0.505, 0.1, 0.8, 0.92);
        assert_eq!(float.position, 0.5);
        float.follow(0.6, 0.1, 0.8, 0.92);
        assert!((float.position - 0.59).abs() < 1e-12);
    }

    #[test]
    fn a_greasy_float_moves_in_steps() {
        let mut float = Float { grease: 0.5, ..Float::new(0.9, 0.003) };
        let mut positions = Vec::new();
        for i in 0..400 {
            float.follow(0.9 - 0.0005 * f64::from(i), 0.1, 0.8, 0.92);
            positions.push(float.position);
        }
        let still = positions.windows(2).filter(|pair| pair[0] == pair[1]).count();
        assert!(still > 300, "{still}");
        assert!(positions.last().is_some_and(|last| *last < 0.78));
    }

    #[test]
    fn a_float_jammed_low_is_caught_where_it_turns() {
        let mut float = Float::new(0.9, 0.0);
        float.jam_at_next_low();
        for level in [0.85, 0.79, 0.76, 0.762, 0.80, 0.95] {
            float.follow(level, 2.0, 0.8, 0.92);
        }
        assert!((float.position - 0.76).abs() < 1e-9, "{}", float.position);
    }
}

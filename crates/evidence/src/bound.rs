//! The stated bound: how rare a random bit error must be, given that none was seen.
//!
//! No event in n independent trials leaves every rate p with (1 - p)^n >= 0.05 possible at 95 % confidence, so the upper
//! bound is 1 - 0.05^(1/n), about 3/n (Hanley and Lippman-Hand, JAMA 1983, "If nothing goes wrong, is everything all
//! right?"). It is the one-sided exact (Clopper-Pearson) bound for zero events. It speaks of errors that fall at random; an
//! error that repeats is no random one, and the bound says nothing of it.

/// Returns the upper 95 % bound for the rate of an event that did not happen in `trials` independent trials.
///
/// `trials` is bits times agreeing passes here. `None` for no trials at all, which bound nothing.
pub fn error_bound_95(trials: u64) -> Option<f64> {
    // 1 - 0.05^(1/n) loses every digit for large n, because 0.05^(1/n) rounds to 1; exp_m1 keeps them.
    (trials > 0).then(|| -(0.05_f64.ln() / trials as f64).exp_m1())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(got: f64, wanted: f64, relative: f64) {
        assert!((got - wanted).abs() <= wanted * relative, "got {got}, wanted {wanted}");
    }

    /// Worked by hand from 1 - 0.05^(1/n).
    #[test]
    fn agrees_with_worked_examples() {
        near(error_bound_95(1).unwrap(), 0.95, 1e-12);
        near(error_bound_95(2).unwrap(), 0.776_393_202_250_021, 1e-12); // 1 - sqrt(0.05)
        near(error_bound_95(10).unwrap(), 0.258_865_550, 1e-6);
        near(error_bound_95(100).unwrap(), 0.029_513, 1e-4);
    }

    /// The definition itself: at the bound, no event in n trials has a chance of exactly 5 %.
    #[test]
    fn zero_events_have_a_chance_of_5_percent_at_the_bound() {
        for trials in [1, 3, 30, 1000, 1 << 20] {
            let bound = error_bound_95(trials).unwrap();
            near((trials as f64 * (-bound).ln_1p()).exp(), 0.05, 1e-9);
        }
    }

    #[test]
    fn comes_close_to_three_over_n_for_a_whole_chip() {
        let trials = 2 * 8 * (32 << 20);
        let bound = error_bound_95(trials).unwrap();
        near(bound * trials as f64, -0.05_f64.ln(), 1e-6); // 2.9957
        assert!(bound * (trials as f64) < 3.0);
    }

    #[test]
    fn no_trials_bound_nothing() {
        assert_eq!(error_bound_95(0), None);
    }
}

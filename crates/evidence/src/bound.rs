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

/// Returns the chance that a majority of `passes` is wrong at a bit that each pass reads wrongly with chance `rate`.
///
/// The exact binomial sum over more than half of the passes; a tie counts by half, since it keeps one pass's value. It holds
/// for errors that do not depend on each other, which reads through one bad contact do; it is a best case. `rate` is
/// taken between 0 and 1.
pub fn majority_error(rate: f64, passes: u32) -> f64 {
    let rate = rate.clamp(0.0, 1.0);
    let wrong = |errors: u32| -> f64 {
        let ways: f64 = (0..errors).map(|i| f64::from(passes - i) / f64::from(i + 1)).product();
        ways * rate.powi(errors as i32) * (1.0 - rate).powi((passes - errors) as i32)
    };
    let outvoted: f64 = (passes / 2 + 1..=passes).map(wrong).sum();
    let tied = if passes > 0 && passes.is_multiple_of(2) { wrong(passes / 2) / 2.0 } else { 0.0 };
    outvoted + tied
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

    /// The interval of Clopper and Pearson (Biometrika 26, 1934) by its definition: the rate at which as few events as were
    /// seen have a chance of 5 %. The chance is summed event by event and the rate found by halving, which shares nothing
    /// with the closed form.
    #[test]
    fn is_the_exact_binomial_bound_for_no_events() {
        let at_most = |events: u32, trials: u32, rate: f64| -> f64 {
            let mut chance = vec![0.0; events as usize + 2];
            chance[0] = 1.0;
            for _ in 0..trials {
                for k in (0..=events as usize).rev() {
                    chance[k] = chance[k] * (1.0 - rate) + if k > 0 { chance[k - 1] * rate } else { 0.0 };
                }
            }
            chance[..=events as usize].iter().sum()
        };
        let upper = |events: u32, trials: u32| {
            let (mut low, mut high) = (0.0, 1.0);
            for _ in 0..200 {
                let middle = (low + high) / 2.0;
                if at_most(events, trials, middle) > 0.05 { low = middle } else { high = middle }
            }
            low
        };
        for trials in [1, 2, 5, 10, 59, 300, 4000, 60_000] {
            near(error_bound_95(u64::from(trials)).unwrap(), upper(0, trials), 1e-9);
        }
        // The method itself against a published value: no event in 59 trials, 95 % confidence, 5 % at most (the rule by
        // which 59 samples are drawn); and one event in 93.
        assert!(upper(0, 59) < 0.05 && upper(0, 58) > 0.05);
        assert!(upper(1, 93) < 0.05 && upper(1, 92) > 0.05);
    }

    /// Worked by hand for three passes: 3 p^2 (1 - p) + p^3; and every outcome of up to six passes counted one by one.
    #[test]
    fn a_majoritys_error_is_the_binomial_sum() {
        near(majority_error(0.1, 3), 0.028, 1e-12);
        near(majority_error(0.1, 5), 0.00856, 1e-12);
        for passes in 1..=6_u32 {
            for rate in [1e-6, 0.01, 0.3, 0.5, 1.0] {
                let counted: f64 = (0..1_u32 << passes)
                    .map(|outcome| {
                        let errors = outcome.count_ones();
                        let wrong = match (2 * errors).cmp(&passes) {
                            std::cmp::Ordering::Greater => 1.0,
                            std::cmp::Ordering::Equal => 0.5,
                            std::cmp::Ordering::Less => 0.0,
                        };
                        let chance: f64 =
                            (0..passes).map(|pass| if outcome >> pass & 1 == 1 { rate } else { 1.0 - rate }).product();
                        chance * wrong
                    })
                    .sum();
                near(majority_error(rate, passes), counted, 1e-9);
            }
        }
        assert_eq!(majority_error(0.3, 0), 0.0);
    }

    #[test]
    fn no_trials_bound_nothing() {
        assert_eq!(error_bound_95(0), None);
    }
}

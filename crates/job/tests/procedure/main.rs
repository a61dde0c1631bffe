//! The procedure over hand-written journals: every interlock accepting and refusing, odd journals, whole jobs, and random
//! ones.

mod bench;
mod odd;
mod random;
mod rules;
mod whole;

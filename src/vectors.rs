//! Loops over many samples on as wide vectors as the processor has.
//!
//! A program that is to run on any x86-64 may use no more than four floats at a time; nearly all that
//! run it have eight. The crate `pulp` asks the processor and runs the same loop compiled for it. No
//! sum changes: products and sums stay apart and in order, so results are the same to the last bit.

/// Does some work, compiled for the processor's widest vectors. What the work calls must be inlined
/// into it.
#[inline(always)]
pub(crate) fn widest<T>(work: impl FnOnce() -> T) -> T {
    pulp::Arch::new().dispatch(work)
}

/// A number in an `f32` from 0 to 2^22 plus this is rounded to a whole number, which then stands in
/// the lower bits.
const ROUNDER: f32 = 8_388_608.0;

/// A number from 0 to 2^22 cut off to a whole one, as a number and as an index: of `as` and `floor` the
/// compiler makes one call or cast after the other, of this eight at once.
#[inline(always)]
pub(crate) fn whole(place: f32) -> (f32, u32) {
    let near = (place + ROUNDER) - ROUNDER;
    let whole = if near > place { near - 1.0 } else { near };
    (whole, (whole + ROUNDER).to_bits() & 0x007F_FFFF)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_cut_off_to_whole_ones() {
        for i in 0..40_000u16 {
            for part in [0.0, 0.25, 0.49, 0.5, 0.51, 0.999] {
                let place = 97.0 * f32::from(i) + part;
                assert_eq!(whole(place), (place.floor(), place as u32), "{place}");
            }
        }
    }
}

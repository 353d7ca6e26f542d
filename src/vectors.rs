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

/// The instruction sets that the inner loops are written for.
#pragma once

namespace broadloom {

/// Which twin of the kernels runs; all give the same bytes.
enum class InstructionSet { automatic, plain, sse4, avx2, avx512, neon };

}  // namespace broadloom

/// What the tests of the kernels share: the twins that this processor has, and frames of noise.
#pragma once

#include <catch2/catch.hpp>
#include <cstddef>
#include <cstdint>
#include <random>
#include <vector>

#include "broadloom/error.hpp"
#include "image/kernels.hpp"

namespace broadloom::test {

/// The kernels of every instruction set that this processor and this build have, plain ones apart.
inline std::vector<const Kernels*> vector_kernels() {
    std::vector<const Kernels*> found;
    for (const auto set : {InstructionSet::sse4, InstructionSet::avx2, InstructionSet::avx512,
                           InstructionSet::neon}) {
        try {
            found.push_back(&kernels_for(set));
        } catch (const Error& e) {
            CHECK(e.code() == ErrorCode::usage);
        }
    }
    return found;
}

/// One plane of noise, with the border that sampling takes.
struct Picture {
    static constexpr int kBorder = kMostTaps / 2 + 4;
    int64_t width, height;
    std::ptrdiff_t stride;
    std::vector<uint8_t> bytes;
    const uint8_t* origin;

    Picture(int64_t w, int64_t h, int bytes_each, std::mt19937& random)
        : width(w), height(h), stride((w + 2 * kBorder) * bytes_each) {
        bytes.resize(static_cast<size_t>(stride * (h + 2 * kBorder)));
        for (auto& b : bytes) b = static_cast<uint8_t>(random());
        origin = bytes.data() + kBorder * stride + kBorder * bytes_each;
    }
};

}  // namespace broadloom::test

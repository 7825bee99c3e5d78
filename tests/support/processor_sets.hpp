/// Which instruction sets this processor has, told by the compiler's own detection instead of
/// libhwy's.
#pragma once

#include <string>
#include <vector>

namespace broadloom::test {

/// Names as --instruction-set takes them, the plain one apart, the best one last.
inline std::vector<std::string> processor_sets() {
    std::vector<std::string> names;
#if defined(__x86_64__)
    __builtin_cpu_init();
    // What libhwy asks for: SSE4 with AES and carry-less products, AVX2 with FMA and BMI2.
    if (__builtin_cpu_supports("sse4.2") == 0 || __builtin_cpu_supports("aes") == 0 ||
        __builtin_cpu_supports("pclmul") == 0) {
        return names;
    }
    names.emplace_back("sse4");
    if (__builtin_cpu_supports("avx2") == 0 || __builtin_cpu_supports("fma") == 0 ||
        __builtin_cpu_supports("bmi2") == 0) {
        return names;
    }
    names.emplace_back("avx2");
    if (__builtin_cpu_supports("avx512f") != 0 && __builtin_cpu_supports("avx512vl") != 0 &&
        __builtin_cpu_supports("avx512dq") != 0 && __builtin_cpu_supports("avx512bw") != 0) {
        names.emplace_back("avx512");
    }
#elif defined(__aarch64__)
    names.emplace_back("neon");
#endif
    return names;
}

}  // namespace broadloom::test

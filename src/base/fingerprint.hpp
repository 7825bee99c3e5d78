/// Tells whether two jobs are the same.
#pragma once

#include <cstdint>
#include <cstdio>
#include <string>
#include <string_view>

#include "base/hash.hpp"

namespace broadloom {

/// Two hashes with different starts, as 32 hexadecimal digits.
class Fingerprint {
  public:
    void add(std::string_view text) {
        constexpr std::string_view kEnd("\0", 1);
        a_ = hash_bytes(kEnd, hash_bytes(text, a_));
        b_ = hash_bytes(kEnd, hash_bytes(text, b_));
    }
    [[nodiscard]] std::string hex() const {
        char text[40];
        std::snprintf(text, sizeof text, "%016llx%016llx", static_cast<unsigned long long>(a_),
                      static_cast<unsigned long long>(b_));
        return text;
    }

  private:
    uint64_t a_ = kHashStart, b_ = kHashStart + 0x9e3779b97f4a7c15ULL;
};

}  // namespace broadloom

/// FNV-1a, 64 bits (G. Fowler, L. C. Noll, K.-P. Vo): against accidents, not against attackers.
#pragma once

#include <cstdint>
#include <string_view>

namespace broadloom {

inline constexpr uint64_t kHashStart = 0xcbf29ce484222325ULL;

/// Goes on from `hash`, so that texts can be added piece by piece.
constexpr uint64_t hash_bytes(std::string_view bytes, uint64_t hash = kHashStart) {
    for (const char c : bytes) hash = (hash ^ static_cast<unsigned char>(c)) * 0x100000001b3ULL;
    return hash;
}

}  // namespace broadloom

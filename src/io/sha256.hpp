/// SHA-256 (FIPS 180-4), by libcrypto: for checksums that the tools of every system can check.
#pragma once

#include <array>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <optional>
#include <span>
#include <string>
#include <string_view>

namespace broadloom {

using Sha256Sum = std::array<uint8_t, 32>;

/// The sum of bytes at hand. Throws Error{machine} without memory.
Sha256Sum sha256(std::span<const uint8_t> bytes);
Sha256Sum sha256(std::string_view text);

/// The sum of bytes that come in pieces.
class Sha256Stream {
  public:
    Sha256Stream();
    ~Sha256Stream();
    Sha256Stream(const Sha256Stream&) = delete;
    Sha256Stream& operator=(const Sha256Stream&) = delete;
    void add(std::span<const uint8_t> bytes);
    /// The sum of all that was added; the stream begins anew.
    Sha256Sum finish();

  private:
    void* context_;
};

/// The sum of an open file from its beginning on. `each`, if given, is told the bytes of every
/// piece of at most a mebibyte and may throw. Throws Error{machine}, naming `path`.
Sha256Sum sha256_of_file(int fd, const std::filesystem::path& path,
                         const std::function<void(size_t)>& each = {});

/// 64 hexadecimal digits, small letters.
std::string sum_text(const Sha256Sum& sum);
/// What sum_text() wrote; nullopt for anything else.
std::optional<Sha256Sum> parse_sum(std::string_view text);

}  // namespace broadloom

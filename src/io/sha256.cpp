#include "io/sha256.hpp"

#include <openssl/evp.h>
#include <unistd.h>

#include <cerrno>
#include <vector>

#include "base/file_handle.hpp"
#include "broadloom/error.hpp"

namespace broadloom {

namespace {

EVP_MD_CTX* context_of(void* context) { return static_cast<EVP_MD_CTX*>(context); }

[[noreturn]] void fail() {
    throw Error(ErrorCode::machine,
                "a checksum cannot be computed; free memory, and check that OpenSSL is whole");
}

}  // namespace

Sha256Stream::Sha256Stream() : context_(EVP_MD_CTX_new()) {
    if (context_ == nullptr ||
        EVP_DigestInit_ex(context_of(context_), EVP_sha256(), nullptr) != 1) {
        EVP_MD_CTX_free(context_of(context_));
        fail();
    }
}

Sha256Stream::~Sha256Stream() { EVP_MD_CTX_free(context_of(context_)); }

void Sha256Stream::add(std::span<const uint8_t> bytes) {
    if (EVP_DigestUpdate(context_of(context_), bytes.data(), bytes.size()) != 1) fail();
}

Sha256Sum Sha256Stream::finish() {
    Sha256Sum sum{};
    unsigned int size = 0;
    if (EVP_DigestFinal_ex(context_of(context_), sum.data(), &size) != 1 || size != sum.size() ||
        EVP_DigestInit_ex(context_of(context_), nullptr, nullptr) != 1) {
        fail();
    }
    return sum;
}

Sha256Sum sha256(std::span<const uint8_t> bytes) {
    Sha256Stream stream;
    stream.add(bytes);
    return stream.finish();
}

Sha256Sum sha256(std::string_view text) {
    return sha256(std::span(reinterpret_cast<const uint8_t*>(text.data()), text.size()));
}

Sha256Sum sha256_of_file(int fd, const std::filesystem::path& path,
                         const std::function<void(size_t)>& each) {
    Sha256Stream stream;
    std::vector<uint8_t> piece(size_t{1} << 20);
    for (off_t at = 0;;) {
        const ssize_t n = ::pread(fd, piece.data(), piece.size(), at);
        if (n < 0 && errno == EINTR) continue;
        if (n < 0) throw_file_error("read", path, errno);
        if (n == 0) return stream.finish();
        stream.add(std::span(piece).first(static_cast<size_t>(n)));
        at += n;
        if (each) each(static_cast<size_t>(n));
    }
}

std::string sum_text(const Sha256Sum& sum) {
    constexpr std::string_view kDigits = "0123456789abcdef";
    std::string text;
    text.reserve(2 * sum.size());
    for (const uint8_t byte : sum) {
        text += kDigits[byte >> 4];
        text += kDigits[byte & 15];
    }
    return text;
}

std::optional<Sha256Sum> parse_sum(std::string_view text) {
    Sha256Sum sum{};
    if (text.size() != 2 * sum.size()) return std::nullopt;
    for (size_t i = 0; i < text.size(); ++i) {
        const char c = text[i];
        int digit = 0;
        if (c >= '0' && c <= '9') {
            digit = c - '0';
        } else if (c >= 'a' && c <= 'f') {
            digit = c - 'a' + 10;
        } else {
            return std::nullopt;
        }
        sum[i / 2] = static_cast<uint8_t>(sum[i / 2] << 4 | digit);
    }
    return sum;
}

}  // namespace broadloom

#include "io/sha256.hpp"

#include <fcntl.h>

#include <catch2/catch.hpp>
#include <fstream>

#include "base/file_handle.hpp"
#include "support/scratch_folder.hpp"

using namespace broadloom;

TEST_CASE("sums are SHA-256's", "[sha256]") {
    // FIPS 180-2, appendix B.1 and B.2; the empty text's from memory.
    CHECK(sum_text(sha256(std::string_view("abc"))) ==
          "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    CHECK(sum_text(sha256(
              std::string_view("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"))) ==
          "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
    CHECK(sum_text(sha256(std::string_view(""))) ==
          "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
    CHECK(sha256(std::string_view("abc")) != sha256(std::string_view("abd")));
}

TEST_CASE("a sum in pieces and one of a file are those of the whole", "[sha256]") {
    const testing::ScratchFolder folder;
    std::string text;
    for (int i = 0; i < 300'000; ++i) text += std::to_string(i);
    Sha256Stream stream;
    const std::span bytes(reinterpret_cast<const uint8_t*>(text.data()), text.size());
    for (int round = 0; round < 2; ++round) {
        for (size_t at = 0; at < bytes.size(); at += 77'777) {
            stream.add(bytes.subspan(at, std::min<size_t>(77'777, bytes.size() - at)));
        }
        CHECK(stream.finish() == sha256(text));
    }
    const auto path = folder / "text";
    std::ofstream(path) << text;
    const FileHandle file(::open(path.c_str(), O_RDONLY | O_CLOEXEC));
    size_t told = 0;
    CHECK(sha256_of_file(file.get(), path, [&](size_t n) { told += n; }) == sha256(text));
    CHECK(told == text.size());
    if (testing::has_command("sha256sum")) {
        CHECK(testing::run_command("sha256sum " + path.native()).output.substr(0, 64) ==
              sum_text(sha256(text)));
    }
}

TEST_CASE("a sum's text is read back, and nothing else is", "[sha256]") {
    const std::string text = sum_text(sha256(std::string_view("abc")));
    CHECK(parse_sum(text) == sha256(std::string_view("abc")));
    CHECK_FALSE(parse_sum(text.substr(1)));
    CHECK_FALSE(parse_sum(text + "0"));
    for (const char wrong : {'g', 'A', ' ', '\0'}) {
        std::string other = text;
        other[40] = wrong;
        CHECK_FALSE(parse_sum(other));
    }
}

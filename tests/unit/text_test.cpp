#include "base/text.hpp"

#include <array>
#include <catch2/catch.hpp>
#include <limits>
#include <random>

using namespace broadloom;

TEST_CASE("escaped leaves printable text alone", "[text]") {
    CHECK(escaped("") == "");
    CHECK(escaped("frames/0001 (a).jpg") == "frames/0001 (a).jpg");
    CHECK(escaped("Brücke/日本/🙂") == "Brücke/日本/🙂");
}

TEST_CASE("escaped shows control characters and broken UTF-8 as bytes", "[text]") {
    CHECK(escaped("a\nb\tc\x7F") == "a\\x0Ab\\x09c\\x7F");
    CHECK(escaped(std::string_view("\0x", 2)) == "\\x00x");
    CHECK(escaped("\x1B[31m") == "\\x1B[31m");
    CHECK(escaped("caf\xE9") == "caf\\xE9");
    CHECK(escaped("\xC2\x85") == "\\xC2\\x85");  // U+0085, a C1 line end
    CHECK(escaped("\xE2\x80\xAE"
                  "gpj") == "\\xE2\\x80\\xAEgpj");     // U+202E turns the direction
    CHECK(escaped("\xE2\x80\x94") == "\xE2\x80\x94");  // a dash stays
}

TEST_CASE("escaped is bounded and keeps both ends", "[text]") {
    const std::string edge(200, 'x');
    CHECK(escaped(edge) == edge);
    for (const size_t length : {size_t{201}, size_t{5000}, size_t{1} << 20U}) {
        const std::string shown = escaped("begin" + std::string(length, '\n') + "end.jpg");
        CHECK(shown.size() <= 200);
        CHECK(shown.substr(0, 9) == "begin\\x0A");
        CHECK(shown.substr(shown.size() - 11) == "\\x0Aend.jpg");
        CHECK(shown.find("...") != std::string::npos);
    }
}

TEST_CASE("escaped turns any bytes into one printable UTF-8 line", "[text][property]") {
    std::mt19937 random(5);
    for (int i = 0; i < 3000; ++i) {
        std::string bytes(random() % 300, '\0');
        for (char& c : bytes) {
            c = static_cast<char>(random());
        }
        const std::string shown = escaped(bytes);
        REQUIRE(valid_utf8_prefix(shown) == shown.size());
        REQUIRE(shown.size() <= 200);
        for (const char c : shown) {
            REQUIRE(static_cast<unsigned char>(c) >= 0x20);
        }
        REQUIRE(escaped(shown) == shown);
    }
}

TEST_CASE("UTF-8 is judged as The Unicode Standard, table 3-7, says", "[text]") {
    // Boundary values of each row; the second of each pair is one step outside (from memory).
    for (const char* good : {"\xC2\x80", "\xDF\xBF", "\xE0\xA0\x80", "\xED\x9F\xBF", "\xEE\x80\x80",
                             "\xF0\x90\x80\x80", "\xF4\x8F\xBF\xBF"}) {
        CHECK(valid_utf8_prefix(good) == std::string_view(good).size());
    }
    for (const char* bad :
         {"\x80", "\xC1\xBF", "\xC2", "\xE0\x9F\xBF", "\xED\xA0\x80", "\xE2\x82",
          "\xF0\x8F\xBF\xBF", "\xF4\x90\x80\x80", "\xF5\x80\x80\x80", "\xE2\x28\xA1"}) {
        CHECK(valid_utf8_prefix(bad) == 0);
    }
    CHECK(valid_utf8_prefix("ab\xFF") == 2);
}

TEST_CASE("nearest_name finds what was meant", "[text]") {
    constexpr std::array<std::string_view, 5> kNames{"yaw_deg", "pitch_deg", "file", "row", "gain"};
    CHECK(nearest_name("yaw_dge", kNames) == "yaw_deg");
    CHECK(nearest_name("Yaw_Deg", kNames) == "yaw_deg");
    CHECK(nearest_name("yaw", kNames) == "yaw_deg");
    CHECK(nearest_name("gains", kNames) == "gain");
    CHECK(nearest_name("fiel", kNames) == "file");
    CHECK(nearest_name("rwo", kNames) == "row");
    CHECK(nearest_name("zoom", kNames).empty());
    CHECK(nearest_name("x", kNames).empty());
    CHECK(nearest_name("", kNames).empty());
    CHECK(nearest_name(std::string(100'000, 'y'), kNames).empty());
    CHECK(nearest_name("file", {}).empty());
}

TEST_CASE("format_bytes uses powers of 1024 and one decimal", "[text]") {
    CHECK(format_bytes(0) == "0 B");
    CHECK(format_bytes(1023) == "1023 B");
    CHECK(format_bytes(1024) == "1.0 KiB");
    CHECK(format_bytes(1536) == "1.5 KiB");
    CHECK(format_bytes((1 << 20) - 1) == "1.0 MiB");
    CHECK(format_bytes(int64_t{512} << 20) == "512.0 MiB");
    CHECK(format_bytes(int64_t{5} << 29) == "2.5 GiB");
    CHECK(format_bytes(int64_t{1} << 40) == "1.0 TiB");
    CHECK(format_bytes(std::numeric_limits<int64_t>::max()) == "8192.0 PiB");
    CHECK(format_bytes(-1536) == "-1.5 KiB");
}

TEST_CASE("format_duration chooses fitting units", "[text]") {
    CHECK(format_duration(0) == "0.0 s");
    CHECK(format_duration(4.24) == "4.2 s");
    CHECK(format_duration(9.96) == "10 s");
    CHECK(format_duration(59.4) == "59 s");
    CHECK(format_duration(59.6) == "1 min 0 s");
    CHECK(format_duration(200) == "3 min 20 s");
    CHECK(format_duration(3599.7) == "1 h 0 min");
    CHECK(format_duration(7500) == "2 h 5 min");
    CHECK(format_duration(86400) == "1 d 0 h");
    CHECK(format_duration(86400 * 3 + 4 * 3600) == "3 d 4 h");
    CHECK(format_duration(-1) == "unknown");
    CHECK(format_duration(std::numeric_limits<double>::quiet_NaN()) == "unknown");
    CHECK(format_duration(std::numeric_limits<double>::infinity()) == "unknown");
}

TEST_CASE("parse_size reads sizes in powers of 1024", "[text]") {
    CHECK(parse_size("0") == 0);
    CHECK(parse_size("1048576") == 1048576);
    CHECK(parse_size("512M") == int64_t{512} << 20);
    CHECK(parse_size("2G") == int64_t{2} << 30);
    CHECK(parse_size("2g") == int64_t{2} << 30);
    CHECK(parse_size("1.5G") == int64_t{3} << 29);
    CHECK(parse_size("1.5GiB") == int64_t{3} << 29);
    CHECK(parse_size("1.3K") == 1331);  // 1331.2
    CHECK(parse_size("3T") == int64_t{3} << 40);
    CHECK(parse_size("9223372036854775807") == std::numeric_limits<int64_t>::max());
    CHECK(parse_size("8388607T") == int64_t{8388607} << 40);
}

TEST_CASE("parse_size refuses everything else", "[text]") {
    for (const char* bad : {"",         "M",
                            "-1",       "+1",
                            " 1",       "1 ",
                            "1 M",      "1.5",
                            "1.",       ".5G",
                            "1.G",      "1e3",
                            "0x10",     "512MB",
                            "512B",     "512iB",
                            "512Mi",    "512MiBs",
                            "1P",       "1,5G",
                            "1.5.5G",   "9223372036854775808",
                            "8388608T", "99999999999999999999G",
                            "inf",      "nan",
                            "half"}) {
        INFO(bad);
        CHECK_FALSE(parse_size(bad).has_value());
    }
}

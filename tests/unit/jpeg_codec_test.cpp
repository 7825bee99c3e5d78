#include "io/jpeg_codec.hpp"

#include <algorithm>
#include <catch2/catch.hpp>

#include "broadloom/error.hpp"
#include "support/frame_files.hpp"

namespace broadloom {
namespace {

using test::Bytes;
using test::Picture;

/// With a fourth sample that must not matter.
Picture<uint8_t> padded(const Picture<uint8_t>& rgb, uint8_t filler) {
    Picture<uint8_t> p{rgb.width, rgb.height, 4, {}};
    for (size_t i = 0; i < rgb.samples.size(); i += 3) {
        p.samples.insert(p.samples.end(), rgb.samples.begin() + static_cast<std::ptrdiff_t>(i),
                         rgb.samples.begin() + static_cast<std::ptrdiff_t>(i) + 3);
        p.samples.push_back(filler);
    }
    return p;
}

Bytes encoded(JpegEncoder& encoder, const Picture<uint8_t>& rgbx) {
    const auto s = encoder.encode(rgbx.samples.data(), rgbx.width, rgbx.height, rgbx.width * 4);
    return {s.begin(), s.end()};
}

/// A full stream from tables and an abbreviated stream, as a TIFF reader puts them together.
Bytes joined(const Bytes& tables, const Bytes& tile) {
    Bytes out(tables.begin(), tables.end() - 2);
    out.insert(out.end(), tile.begin() + 2, tile.end());
    return out;
}

constexpr std::array<std::pair<int, int>, 5> kSizes{
    {{1, 1}, {17, 13}, {512, 512}, {257, 3}, {16, 16}}};

}  // namespace

TEST_CASE("tiles are the bytes that libjpeg writes with its accurate integer DCT", "[jpeg_codec]") {
    for (const int quality : {1, 50, 90, 95, 96, 100}) {
        for (const bool c420 : {true, false}) {
            JpegEncoder encoder(quality, c420 ? JpegChroma::c420 : JpegChroma::c444);
            for (const auto& [width, height] : kSizes) {
                CAPTURE(quality, c420, width, height);
                const auto rgb = test::wavy<uint8_t>(width, height, 3);
                test::JpegOptions options;
                options.quality = quality;
                if (c420) options.factors = {{2, 2}, {1, 1}, {1, 1}};
                const Bytes tile = encoded(encoder, padded(rgb, 0));
                CHECK(tile == test::write_jpeg(rgb, options));
                CHECK(tile == encoded(encoder, padded(rgb, 255)));
            }
        }
    }
    // Negative control: another quality gives other bytes.
    JpegEncoder a(90, JpegChroma::c420), b(91, JpegChroma::c420);
    const auto p = padded(test::wavy<uint8_t>(64, 64, 3), 0);
    CHECK(encoded(a, p) != encoded(b, p));
}

TEST_CASE("a stride wider than the row is skipped over", "[jpeg_codec]") {
    const auto whole = padded(test::wavy<uint8_t>(100, 40, 3), 7);
    Picture<uint8_t> part{60, 40, 4, {}};
    for (int y = 0; y < 40; ++y) {
        const auto* row = &whole.samples[static_cast<size_t>(y) * 400];
        part.samples.insert(part.samples.end(), row, row + 240);
    }
    JpegEncoder encoder(90, JpegChroma::c420);
    const auto wide = encoder.encode(whole.samples.data(), 60, 40, 400);
    const Bytes kept(wide.begin(), wide.end());
    CHECK(kept == encoded(encoder, part));
}

TEST_CASE("tables and an abbreviated stream make the tile again", "[jpeg_codec]") {
    for (const JpegChroma chroma : {JpegChroma::c420, JpegChroma::c444}) {
        JpegEncoder encoder(90, chroma);
        Bytes tile, tables;
        for (const auto& [width, height] : kSizes) {
            CAPTURE(width, height);
            const Bytes full = encoded(encoder, padded(test::wavy<uint8_t>(width, height, 3), 0));
            jpeg_abbreviated(full, tile);
            // Tables depend on quality and chroma alone: one value serves every tile.
            const Bytes these = jpeg_tables(full);
            if (tables.empty()) tables = these;
            CHECK(these == tables);
            CHECK(tile.size() < full.size());
            const auto again = test::read_jpeg(joined(tables, tile));
            const auto direct = test::read_jpeg(full);
            CHECK(again.samples == direct.samples);
            // Negative control: without its tables the stream does not decode.
            CHECK_THROWS(test::read_jpeg(tile));
        }
        // TIFF 6.0 supplement 2, JPEGTables: SOI, tables, EOI and nothing else.
        REQUIRE(tables.size() > 4);
        CHECK(tables[0] == 0xFF);
        CHECK(tables[1] == 0xD8);
        CHECK(tables[tables.size() - 1] == 0xD9);
        size_t dqt = 0, dht = 0, at = 2;
        while (at + 4 <= tables.size() - 2) {
            dqt += tables[at + 1] == 0xDB;
            dht += tables[at + 1] == 0xC4;
            at += 2 + tables[at + 2] * size_t{256} + tables[at + 3];
        }
        CHECK(at == tables.size() - 2);
        CHECK(dqt >= 1);
        CHECK(dht >= 1);
    }
}

TEST_CASE("application segments and comments leave the abbreviated stream", "[jpeg_codec]") {
    const auto rgb = test::wavy<uint8_t>(40, 30, 3);
    test::JpegOptions options;
    const Bytes plain = test::write_jpeg(rgb, options);
    options.segments = {{0xE1, test::exif_orientation(6, true)}, {0xFE, Bytes(100, 'c')}};
    options.restart_rows = 1;
    const Bytes rich = test::write_jpeg(rgb, options);
    Bytes tile;
    jpeg_abbreviated(rich, tile);
    CHECK(tile.size() + 100 < rich.size());
    CHECK(test::read_jpeg(joined(jpeg_tables(rich), tile)).samples ==
          test::read_jpeg(plain).samples);
}

TEST_CASE("streams that are damaged are refused", "[jpeg_codec]") {
    JpegEncoder encoder(90, JpegChroma::c420);
    const Bytes full = encoded(encoder, padded(test::wavy<uint8_t>(40, 30, 3), 0));
    Bytes out;
    for (size_t length = 0; length < full.size(); ++length) {
        const std::span<const uint8_t> cut = std::span(full).first(length);
        REQUIRE_THROWS_AS(jpeg_tables(cut), Error);
        REQUIRE_THROWS_AS(jpeg_abbreviated(cut, out), Error);
    }
    uint32_t state = 5;
    int refused = 0;
    for (int round = 0; round < 3000; ++round) {
        Bytes bad = full;
        state = state * 1664525U + 1013904223U;
        bad[(state >> 8) % 640] = static_cast<uint8_t>(state);
        size_t tables = 0;
        bool internal = true;
        try {
            tables = jpeg_tables(bad).size();
            jpeg_abbreviated(bad, out);
        } catch (const Error& e) {
            internal = e.code() == ErrorCode::internal;
            ++refused;
        }
        CHECK(tables <= bad.size());
        CHECK(internal);
    }
    CHECK(refused > 10);
    CHECK_NOTHROW(jpeg_tables(full));
    CHECK_THROWS_AS(JpegEncoder(0, JpegChroma::c420), Error);
    CHECK_THROWS_AS(JpegEncoder(101, JpegChroma::c420), Error);
    CHECK_THROWS_AS(encoder.encode(full.data(), 0, 1, 4), Error);
    CHECK_THROWS_AS(encoder.encode(full.data(), 70000, 1, 280000), Error);
    CHECK_THROWS_AS(encoder.encode(full.data(), 4, 1, 12), Error);
}

}  // namespace broadloom

// Stored labels come back as they were, and nothing else is taken for them.
#include "blend/label_grid.hpp"

#include <catch2/catch.hpp>
#include <random>

#include "base/hash.hpp"
#include "broadloom/error.hpp"

using namespace broadloom;

namespace {

LabelGrid made_up_grid(int64_t width, int64_t height, std::mt19937_64& random) {
    Canvas canvas;
    canvas.surface = width % 2 == 0 ? Surface::cylinder : Surface::sphere;
    canvas.left_deg = -12.345678901234567;
    canvas.top_deg = 40.1;
    canvas.pixels_per_degree = 7.3;
    canvas.width = width;
    canvas.height = height;
    canvas.wraps = width % 3 == 0;
    LabelGrid grid(canvas);
    int16_t label = LabelGrid::kNobody;
    for (int16_t& l : grid.frame) {
        if (random() % 7 == 0) label = static_cast<int16_t>(static_cast<int>(random() % 32768) - 1);
        l = label;
    }
    return grid;
}

/// With a checksum that is right for the rest.
std::vector<uint8_t> sealed(std::vector<uint8_t> bytes) {
    bytes.resize(bytes.size() - 8);
    const uint64_t hash = hash_bytes({reinterpret_cast<const char*>(bytes.data()), bytes.size()});
    for (int i = 0; i < 8; ++i) bytes.push_back(static_cast<uint8_t>(hash >> (8 * i)));
    return bytes;
}

bool refused(const std::vector<uint8_t>& bytes, int64_t max_pixels) {
    try {
        (void)LabelGrid::unpack(bytes, max_pixels);
    } catch (const Error& e) {
        CHECK(e.code() == ErrorCode::input);
        return true;
    }
    return false;
}

}  // namespace

TEST_CASE("labels come back as they were stored", "[label_grid]") {
    std::mt19937_64 random(3);
    for (const auto& [width, height] :
         {std::pair<int64_t, int64_t>{1, 1}, {1, 97}, {512, 3}, {131, 64}, {1000, 1}}) {
        const LabelGrid grid = made_up_grid(width, height, random);
        const std::vector<uint8_t> bytes = grid.pack();
        CHECK(LabelGrid::unpack(bytes, width * height) == grid);
        CHECK(grid.pack() == bytes);
        LabelGrid other = grid;
        other.frame.back() ^= 1;
        CHECK_FALSE(LabelGrid::unpack(bytes, width * height) == other);
        CHECK(other.pack() != bytes);
    }
    Canvas wide;
    wide.pixels_per_degree = 1;
    wide.width = 20000;
    wide.height = 500;
    const LabelGrid empty(wide);
    CHECK(empty.pack().size() < 500 * 4 + 100);  // a run a row
    CHECK(LabelGrid::unpack(empty.pack(), 20000 * 500) == empty);
}

TEST_CASE("bytes that are no stored labels are refused", "[label_grid]") {
    std::mt19937_64 random(4);
    const LabelGrid grid = made_up_grid(60, 40, random);
    const std::vector<uint8_t> good = grid.pack();
    const int64_t pixels = 60 * 40;
    CHECK_FALSE(refused(good, pixels));
    CHECK(refused(good, pixels - 1));
    CHECK(refused({}, pixels));
    for (size_t length = 0; length < good.size(); ++length) {
        CHECK(refused({good.begin(), good.begin() + static_cast<std::ptrdiff_t>(length)}, pixels));
    }
    // One bit turned: the checksum.
    for (size_t i = 0; i < good.size(); ++i) {
        std::vector<uint8_t> bad = good;
        bad[i] ^= static_cast<uint8_t>(1U << (i % 8));
        CHECK(refused(bad, pixels));
    }
    // The same with a checksum that is right: labels that are other ones, or an error; never a
    // crash.
    int accepted = 0;
    for (int trial = 0; trial < 3000; ++trial) {
        std::vector<uint8_t> bad = good;
        for (uint64_t n = 1 + random() % 3; n > 0; --n) {
            bad[random() % (bad.size() - 8)] = static_cast<uint8_t>(random());
        }
        if (trial % 3 == 0) bad.resize(8 + 47 + random() % (bad.size() - 55));
        bad = sealed(bad);
        try {
            const LabelGrid other = LabelGrid::unpack(bad, pixels);
            CHECK(other.frame.size() == static_cast<size_t>(other.width * other.height));
            CHECK(other.width * other.height <= pixels);
            CHECK(other.pack() == bad);  // only what pack() writes is taken
            ++accepted;
        } catch (const Error& e) {
            CHECK(e.code() == ErrorCode::input);
        }
    }
    CHECK(accepted > 20);
    CHECK(accepted < 2900);
    // Sides whose product does not fit into 64 bits.
    std::vector<uint8_t> vast = good;
    for (size_t i = 31; i < 47; ++i) vast[i] = 0xff;
    CHECK(refused(sealed(vast), pixels));
    for (size_t i = 31; i < 47; ++i) vast[i] = i % 8 == 2 ? 0x7f : 0;
    CHECK(refused(sealed(vast), pixels));
}

#include "render/checkpoint.hpp"

#include <catch2/catch.hpp>

#include "base/hash.hpp"

using namespace broadloom;

namespace {

Checkpoint make(const Quadtree& tree, int64_t pixel_bytes = 4) {
    Checkpoint c;
    c.next = 2;
    c.tiff.position = 123456;
    c.tiff.tables = {1, 2, 3};
    c.tiff.offsets = {{16, 0, 99}, {0}};
    c.tiff.counts = {{7, 0, 8}, {0}};
    c.sums = TileSums(tree.shape, tree.shape);
    c.sums.tiles[0][0][5] = 77;
    c.sums.tiff[1][0][31] = 3;
    const auto [width, height] = Parents(tree).quarter_size(0);
    c.quarters.push_back(
        {0, std::vector<uint8_t>(static_cast<size_t>(width * height * pixel_bytes), 42)});
    return c;
}

}  // namespace

TEST_CASE("a checkpoint comes back as it was, and only for its own job", "[resume]") {
    const Quadtree tree({200, 150, 64, 0}, 64);
    const Checkpoint c = make(tree);
    const std::string bytes = pack_checkpoint(c, "job one");
    const auto back = unpack_checkpoint(bytes, "job one", tree);
    REQUIRE(back.has_value());
    CHECK(back->next == c.next);
    CHECK(back->tiff.position == c.tiff.position);
    CHECK(back->tiff.tables == c.tiff.tables);
    CHECK(back->tiff.offsets == c.tiff.offsets);
    CHECK(back->tiff.counts == c.tiff.counts);
    CHECK(back->sums.tiles == c.sums.tiles);
    CHECK(back->sums.tiff == c.sums.tiff);
    REQUIRE(back->quarters.size() == 1);
    CHECK(back->quarters[0].pixels == c.quarters[0].pixels);
    CHECK_FALSE(unpack_checkpoint(bytes, "job two", tree).has_value());
}

TEST_CASE("a checkpoint of deep pictures is none of others", "[resume][deep]") {
    const Quadtree tree({200, 150, 64, 0}, 64);
    const Checkpoint c = make(tree, 8);
    const std::string bytes = pack_checkpoint(c, "job");
    const auto back = unpack_checkpoint(bytes, "job", tree, 8);
    REQUIRE(back.has_value());
    CHECK(back->quarters[0].pixels == c.quarters[0].pixels);
    CHECK_FALSE(unpack_checkpoint(bytes, "job", tree).has_value());
    CHECK_FALSE(unpack_checkpoint(pack_checkpoint(make(tree), "job"), "job", tree, 8).has_value());
}

TEST_CASE("the hash is FNV-1a with 64 bits", "[resume]") {
    // Values of draft-eastlake-fnv, from memory.
    CHECK(hash_bytes("") == 0xcbf29ce484222325ULL);
    CHECK(hash_bytes("a") == 0xaf63dc4c8601ec8cULL);
    CHECK(hash_bytes("foobar") == 0x85944171f73967e8ULL);
    CHECK(hash_bytes("bar", hash_bytes("foo")) == hash_bytes("foobar"));
}

TEST_CASE("a checkpoint that was cut or changed anywhere is refused", "[resume]") {
    const Quadtree tree({200, 150, 64, 0}, 64);
    const std::string bytes = pack_checkpoint(make(tree), "job");
    for (size_t n = 0; n < bytes.size(); ++n) {
        if (n > 300 && n % 37 != 0) continue;
        CHECK_FALSE(unpack_checkpoint(bytes.substr(0, n), "job", tree).has_value());
        for (int bit = 0; bit < 8; ++bit) {
            std::string changed = bytes;
            changed[n] = static_cast<char>(changed[n] ^ (1 << bit));
            CHECK_FALSE(unpack_checkpoint(changed, "job", tree).has_value());
        }
    }
}

TEST_CASE("the walk finishes children before their parents and covers every cell once",
          "[quadtree][property]") {
    for (const auto& [width, height] : std::vector<std::pair<int64_t, int64_t>>{
             {1, 1}, {64, 64}, {65, 1}, {1000, 37}, {311, 911}}) {
        const Quadtree tree({width, height, 64, 0}, 64);
        std::vector<int> children(tree.nodes.size(), 0);
        int64_t area = 0;
        for (size_t i = 0; i < tree.nodes.size(); ++i) {
            const QuadNode& node = tree.nodes[i];
            CHECK(children[i] == node.children);  // all came before
            if (node.parent >= 0) {
                CHECK(node.parent > static_cast<int64_t>(i));
                ++children[static_cast<size_t>(node.parent)];
            } else {
                CHECK(i + 1 == tree.nodes.size());
            }
            if (node.leaf >= 0) {
                CHECK(tree.leaves[static_cast<size_t>(node.leaf)] == static_cast<int64_t>(i));
                area += tree.picture_rect(node).area();
            }
        }
        CHECK(area == width * height);
        CHECK(static_cast<int64_t>(tree.nodes.size()) == tree.shape.tile_count());
    }
}

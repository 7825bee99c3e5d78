#include "render/checkpoint.hpp"

#include "base/byte_pack.hpp"
#include "base/hash.hpp"

namespace broadloom {

namespace {

constexpr std::string_view kMagic = "broadloom checkpoint 2\n";

void pack_sums(Packer& p, const std::vector<std::vector<Sha256Sum>>& sums) {
    p.number<uint64_t>(sums.size());
    for (const auto& level : sums) p.list(level);
}

std::vector<std::vector<Sha256Sum>> unpack_sums(Unpacker& u) {
    std::vector<std::vector<Sha256Sum>> sums;
    const auto levels = u.number<uint64_t>();
    for (uint64_t i = 0; u.good() && i < levels; ++i) sums.push_back(u.list<Sha256Sum>());
    return sums;
}

}  // namespace

std::string pack_checkpoint(const Checkpoint& c, std::string_view identity) {
    Packer p;
    p.bytes() = kMagic;
    p.text(identity);
    p.number(c.next);
    p.number(c.tiff.position);
    p.list(c.tiff.tables);
    p.number<uint64_t>(c.tiff.offsets.size());
    for (size_t i = 0; i < c.tiff.offsets.size(); ++i) {
        p.list(c.tiff.offsets[i]);
        p.list(c.tiff.counts[i]);
    }
    pack_sums(p, c.sums.tiles);
    pack_sums(p, c.sums.tiff);
    p.number<uint64_t>(c.quarters.size());
    for (const auto& quarter : c.quarters) {
        p.number(quarter.child);
        p.list(quarter.pixels);
    }
    p.number(hash_bytes(p.bytes()));
    return std::move(p.bytes());
}

std::optional<Checkpoint> unpack_checkpoint(std::string_view bytes, std::string_view identity,
                                            const Quadtree& tree, int64_t pixel_bytes) {
    constexpr size_t kSum = sizeof(uint64_t);
    if (bytes.size() < kMagic.size() + kSum || bytes.substr(0, kMagic.size()) != kMagic) return {};
    const std::string_view body = bytes.substr(0, bytes.size() - kSum);
    if (Unpacker(bytes.substr(body.size())).number<uint64_t>() != hash_bytes(body)) return {};
    Unpacker u(body.substr(kMagic.size()));
    const auto name = u.list<char>();
    if (std::string_view(name.data(), name.size()) != identity) return {};
    Checkpoint c;
    const auto nodes = static_cast<int64_t>(tree.nodes.size());
    c.next = u.number<int64_t>();
    c.tiff.position = u.number<uint64_t>();
    c.tiff.tables = u.list<uint8_t>();
    const auto levels = u.number<uint64_t>();
    for (uint64_t i = 0; u.good() && i < levels; ++i) {
        c.tiff.offsets.push_back(u.list<uint64_t>());
        c.tiff.counts.push_back(u.list<uint32_t>());
    }
    c.sums.tiles = unpack_sums(u);
    c.sums.tiff = unpack_sums(u);
    const auto quarters = u.number<uint64_t>();
    for (uint64_t i = 0; u.good() && i < quarters; ++i) {
        Parents::Quarter quarter;
        quarter.child = u.number<int64_t>();
        quarter.pixels = u.list<uint8_t>();
        if (quarter.child < 0 || quarter.child >= c.next || quarter.child >= nodes ||
            tree.nodes[static_cast<size_t>(quarter.child)].parent < c.next) {
            return {};
        }
        const auto [width, height] = Parents(tree).quarter_size(quarter.child);
        if (quarter.pixels.size() != static_cast<size_t>(width * height * pixel_bytes)) return {};
        c.quarters.push_back(std::move(quarter));
    }
    if (!u.good() || !u.at_end() || c.next < 0 || c.next > nodes) return {};
    return c;
}

}  // namespace broadloom

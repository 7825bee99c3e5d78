/// One directory of a little-endian TIFF structure (TIFF 6.0), for files that tests make by hand.
#pragma once

#include <algorithm>
#include <cstdint>
#include <string>
#include <utility>
#include <vector>

namespace broadloom::test {

inline void put16(std::vector<uint8_t>& out, uint32_t v) {
    out.push_back(static_cast<uint8_t>(v));
    out.push_back(static_cast<uint8_t>(v >> 8U));
}
inline void put32(std::vector<uint8_t>& out, uint32_t v) {
    put16(out, v & 0xffffU);
    put16(out, v >> 16U);
}

/// Entries are added in rising order of their tags; longer values stand behind the entries.
class TiffDirectory {
  public:
    static constexpr uint16_t kByte = 1, kAscii = 2, kShort = 3, kLong = 4, kRational = 5,
                              kUndefined = 7, kSignedRational = 10;

    void text(uint16_t tag, const std::string& value) {
        std::vector<uint8_t> bytes(value.begin(), value.end());
        bytes.push_back(0);
        add(tag, kAscii, static_cast<uint32_t>(bytes.size()), bytes);
    }
    void raw(uint16_t tag, const std::string& value) {
        add(tag, kUndefined, static_cast<uint32_t>(value.size()), {value.begin(), value.end()});
    }
    void bytes_of(uint16_t tag, const std::vector<uint8_t>& value) {
        add(tag, kByte, static_cast<uint32_t>(value.size()), value);
    }
    void number(uint16_t tag, uint16_t value) { numbers(tag, {value}); }
    void numbers(uint16_t tag, const std::vector<uint16_t>& values) {
        std::vector<uint8_t> bytes;
        for (const uint16_t v : values) put16(bytes, v);
        add(tag, kShort, static_cast<uint32_t>(values.size()), bytes);
    }
    void long_number(uint16_t tag, uint32_t value) {
        std::vector<uint8_t> bytes;
        put32(bytes, value);
        add(tag, kLong, 1, bytes);
    }
    void ratio(uint16_t tag, uint32_t num, uint32_t den) { ratios(tag, {{num, den}}); }
    void ratios(uint16_t tag, const std::vector<std::pair<uint32_t, uint32_t>>& values,
                uint16_t type = kRational) {
        std::vector<uint8_t> bytes;
        for (const auto& [num, den] : values) {
            put32(bytes, num);
            put32(bytes, den);
        }
        add(tag, type, static_cast<uint32_t>(values.size()), bytes);
    }
    /// Any entry, sound or not.
    void add(uint16_t tag, uint16_t type, uint32_t count, std::vector<uint8_t> bytes) {
        const auto at = static_cast<uint32_t>(values_.size());
        if (bytes.size() <= 4) {
            bytes.resize(4);
            entries_.push_back({tag, type, count, bytes, 0});
        } else {
            if (bytes.size() % 2 != 0) bytes.push_back(0);
            values_.insert(values_.end(), bytes.begin(), bytes.end());
            entries_.push_back({tag, type, count, {}, at});
        }
    }
    /// The same in the place of what has that tag, or where it belongs.
    void replace(uint16_t tag, uint16_t type, uint32_t count, const std::vector<uint8_t>& bytes) {
        std::erase_if(entries_, [tag](const Entry& e) { return e.tag == tag; });
        add(tag, type, count, bytes);
        std::stable_sort(entries_.begin(), entries_.end(),
                         [](const Entry& a, const Entry& b) { return a.tag < b.tag; });
    }

    [[nodiscard]] uint32_t size() const {
        return 2 + static_cast<uint32_t>(entries_.size()) * 12 + 4 +
               static_cast<uint32_t>(values_.size());
    }
    /// `offset` is where the directory will stand in the TIFF structure.
    [[nodiscard]] std::vector<uint8_t> bytes(uint32_t offset) const {
        std::vector<uint8_t> out;
        const auto count = static_cast<uint32_t>(entries_.size());
        put16(out, count);
        const uint32_t values_at = offset + 2 + count * 12 + 4;
        for (const Entry& e : entries_) {
            put16(out, e.tag);
            put16(out, e.type);
            put32(out, e.count);
            if (e.inside.size() == 4) {
                out.insert(out.end(), e.inside.begin(), e.inside.end());
            } else {
                put32(out, values_at + e.at);
            }
        }
        put32(out, 0);
        out.insert(out.end(), values_.begin(), values_.end());
        return out;
    }

  private:
    struct Entry {
        uint16_t tag, type;
        uint32_t count;
        std::vector<uint8_t> inside;  // four bytes, or none when the value stands at `at`
        uint32_t at;
    };
    std::vector<Entry> entries_;
    std::vector<uint8_t> values_;
};

}  // namespace broadloom::test

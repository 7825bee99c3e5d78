#include "support/exif_block.hpp"

namespace broadloom::test {

namespace {

constexpr uint16_t kAscii = 2, kShort = 3, kLong = 4, kRational = 5, kUndefined = 7;

void put16(std::vector<uint8_t>& out, uint32_t v) {
    out.push_back(static_cast<uint8_t>(v));
    out.push_back(static_cast<uint8_t>(v >> 8U));
}
void put32(std::vector<uint8_t>& out, uint32_t v) {
    put16(out, v & 0xffffU);
    put16(out, v >> 16U);
}

/// One directory of the TIFF structure; longer values stand behind its entries.
class Directory {
  public:
    void text(uint16_t tag, const std::string& value) {
        std::vector<uint8_t> bytes(value.begin(), value.end());
        bytes.push_back(0);
        add(tag, kAscii, static_cast<uint32_t>(bytes.size()), bytes);
    }
    void raw(uint16_t tag, const std::string& value) {
        add(tag, kUndefined, static_cast<uint32_t>(value.size()), {value.begin(), value.end()});
    }
    void number(uint16_t tag, uint16_t value) {
        std::vector<uint8_t> bytes;
        put16(bytes, value);
        add(tag, kShort, 1, bytes);
    }
    void long_number(uint16_t tag, uint32_t value) {
        std::vector<uint8_t> bytes;
        put32(bytes, value);
        add(tag, kLong, 1, bytes);
    }
    void ratio(uint16_t tag, uint32_t num, uint32_t den) {
        std::vector<uint8_t> bytes;
        put32(bytes, num);
        put32(bytes, den);
        add(tag, kRational, 1, bytes);
    }
    [[nodiscard]] uint32_t size() const {
        return 2 + count_ * 12 + 4 + static_cast<uint32_t>(values_.size());
    }
    /// `offset` is where the directory will stand in the TIFF structure.
    [[nodiscard]] std::vector<uint8_t> bytes(uint32_t offset) const {
        std::vector<uint8_t> out;
        put16(out, count_);
        const uint32_t values_at = offset + 2 + count_ * 12 + 4;
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
        ++count_;
    }
    std::vector<Entry> entries_;
    std::vector<uint8_t> values_;
    uint32_t count_ = 0;
};

}  // namespace

std::vector<uint8_t> exif_segment(const ExifData& d) {
    Directory photo;  // tags in rising order, as the standard wants them
    photo.ratio(0x829a, d.exposure_num, d.exposure_den);
    photo.ratio(0x829d, d.aperture_tenths, 10);
    photo.number(0x8822, 1);  // manual exposure
    photo.number(0x8827, d.iso);
    photo.raw(0x9000, "0230");
    photo.text(0x9003, d.date_time);
    photo.text(0x9004, d.date_time);
    photo.number(0x9209, 0);  // no flash
    photo.ratio(0x920a, d.focal_hundredths_mm, 100);
    photo.number(0xa001, 1);  // sRGB
    photo.long_number(0xa002, d.width);
    photo.long_number(0xa003, d.height);
    photo.number(0xa402, 1);  // manual exposure
    photo.number(0xa403, 1);  // manual white balance
    photo.number(0xa405, d.focal_35mm);

    Directory main;
    main.text(0x010f, d.make);
    main.text(0x0110, d.model);
    main.number(0x0112, 1);
    main.ratio(0x011a, 300, 1);
    main.ratio(0x011b, 300, 1);
    main.number(0x0128, 2);
    main.text(0x0132, d.date_time);
    Directory pointed = main;
    pointed.long_number(0x8769, 0);  // same size as with the true offset
    const uint32_t photo_at = 8 + pointed.size();
    main.long_number(0x8769, photo_at);

    std::vector<uint8_t> tiff{'I', 'I', 42, 0, 8, 0, 0, 0};
    for (const auto& part : {main.bytes(8), photo.bytes(photo_at)}) {
        tiff.insert(tiff.end(), part.begin(), part.end());
    }
    const auto length = static_cast<uint32_t>(tiff.size()) + 8;
    std::vector<uint8_t> out{0xff, 0xe1};
    out.reserve(length + 2);
    for (const uint32_t byte : {length >> 8U, length & 0xffU}) {
        out.push_back(static_cast<uint8_t>(byte));
    }
    for (const char c : {'E', 'x', 'i', 'f', '\0', '\0'}) out.push_back(static_cast<uint8_t>(c));
    for (const uint8_t byte : tiff) out.push_back(byte);
    return out;
}

}  // namespace broadloom::test

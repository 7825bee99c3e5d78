#include "io/tiff_pyramid.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cmath>
#include <limits>
#include <new>
#include <numeric>
#include <stdexcept>
#include <utility>

#include "base/text.hpp"
#include "broadloom/error.hpp"

namespace broadloom {

namespace {

constexpr size_t kPendingBytes = size_t{1} << 20;
constexpr size_t kHeaderBytes = 16;  // BigTIFF: byte order, version, offset size, first directory
constexpr size_t kEntryBytes = 20;   // tag, type, 8-byte count, 8-byte value or offset
constexpr uint64_t kAlignment = 8;   // a TIFF asks for words of 2 bytes; 8 suits 8-byte values

// Field types of TIFF 6.0, section 2, and of BigTIFF.
enum FieldType : uint16_t {
    kByte = 1,
    kAscii = 2,
    kShort = 3,
    kLong = 4,
    kRational = 5,
    kUndefined = 7,
    kLong8 = 16
};

template <typename T>
void put_number(std::vector<uint8_t>& out, T value) {
    for (size_t i = 0; i < sizeof(T); ++i)
        out.push_back(static_cast<uint8_t>(static_cast<uint64_t>(value) >> (8 * i)));
}

uint64_t aligned(uint64_t offset) { return (offset + kAlignment - 1) / kAlignment * kAlignment; }

/// One directory's entries, added in ascending order of their tags.
class DirectoryBuilder {
  public:
    void add(uint16_t tag, FieldType type, uint64_t count, std::vector<uint8_t> value) {
        entries_.push_back({tag, type, count, std::move(value)});
    }
    template <typename T>
    void add_numbers(uint16_t tag, FieldType type, std::span<const T> values) {
        std::vector<uint8_t> bytes;
        bytes.reserve(values.size_bytes());
        for (const T value : values) put_number(bytes, value);
        add(tag, type, values.size(), std::move(bytes));
    }
    void add_short(uint16_t tag, uint16_t value) {
        add_numbers<uint16_t>(tag, kShort, std::array{value});
    }
    void add_long(uint16_t tag, int64_t value) {
        add_numbers<uint32_t>(tag, kLong, std::array{static_cast<uint32_t>(value)});
    }
    void add_text(uint16_t tag, const std::string& text) {
        std::vector<uint8_t> bytes(text.begin(), text.end());
        std::erase(bytes, uint8_t{0});  // a NUL inside would end the string early
        bytes.push_back(0);
        const uint64_t count = bytes.size();
        add(tag, kAscii, count, std::move(bytes));
    }
    void add_rationals(uint16_t tag, std::span<const uint32_t> pairs) {
        std::vector<uint8_t> bytes;
        for (const uint32_t value : pairs) put_number(bytes, value);
        add(tag, kRational, pairs.size() / 2, std::move(bytes));
    }

    /// The directory at `position` (a multiple of kAlignment), its values behind it; the next
    /// directory, unless this is the last, begins right at the end.
    [[nodiscard]] std::vector<uint8_t> bytes(uint64_t position, bool last) const {
        const uint64_t table = 8 + kEntryBytes * entries_.size() + 8;
        uint64_t values = aligned(table);
        std::vector<uint8_t> out;
        put_number<uint64_t>(out, entries_.size());
        for (const Entry& entry : entries_) {
            put_number<uint16_t>(out, entry.tag);
            put_number<uint16_t>(out, entry.type);
            put_number<uint64_t>(out, entry.count);
            if (entry.value.size() <= 8) {
                out.insert(out.end(), entry.value.begin(), entry.value.end());
                out.resize(out.size() + 8 - entry.value.size());
            } else {
                put_number<uint64_t>(out, position + values);
                values = aligned(values + entry.value.size());
            }
        }
        put_number<uint64_t>(out, last ? 0 : position + values);
        out.resize(aligned(out.size()));
        out.reserve(values);
        for (const Entry& entry : entries_) {
            if (entry.value.size() <= 8) continue;
            out.insert(out.end(), entry.value.begin(), entry.value.end());
            out.resize(aligned(out.size()));
        }
        return out;
    }

  private:
    struct Entry {
        uint16_t tag;
        uint16_t type;
        uint64_t count;
        std::vector<uint8_t> value;
    };
    std::vector<Entry> entries_;
};

/// pixels_per_inch / 2^halvings as a RATIONAL, exact where 32 bits allow it.
std::array<uint32_t, 2> resolution(double pixels_per_inch, size_t halvings) {
    constexpr uint64_t kMost = std::numeric_limits<uint32_t>::max();
    uint64_t denominator = 1;
    while (denominator < 1000 && pixels_per_inch * static_cast<double>(denominator) * 10 <= 4e9 &&
           std::round(pixels_per_inch * static_cast<double>(denominator)) !=
               pixels_per_inch * static_cast<double>(denominator))
        denominator *= 10;
    auto numerator =
        static_cast<uint64_t>(std::llround(pixels_per_inch * static_cast<double>(denominator)));
    numerator = std::max<uint64_t>(numerator, 1);
    for (size_t i = 0; i < halvings; ++i) {
        if (numerator % 2 == 0 || denominator * 2 > kMost) {
            numerator = std::max<uint64_t>(numerator / 2, 1);
        } else {
            denominator *= 2;
        }
    }
    const uint64_t common = std::gcd(numerator, denominator);
    return {static_cast<uint32_t>(numerator / common), static_cast<uint32_t>(denominator / common)};
}

[[noreturn]] void throw_fault(const std::filesystem::path& file, const std::string& what) {
    throw Error(ErrorCode::internal,
                escaped(file.native()) + ": " + what + "; please report this fault");
}

std::string tile_name(int level, int64_t column, int64_t row) {
    return "tile at level " + std::to_string(level) + ", column " + std::to_string(column) +
           ", row " + std::to_string(row);
}

}  // namespace

TiffPyramidWriter::TiffPyramidWriter(std::filesystem::path file, const PyramidShape& shape,
                                     TiffPyramidOptions options)
    : file_(std::move(file)), options_(std::move(options)) {
    lay_out(shape);
    handle_ = FileHandle(::open(file_.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666));
    if (!handle_.is_open()) throw_file_error("create", file_, errno);

    // The header; finish() fills in where the first directory stands.
    std::vector<uint8_t> header{'I', 'I'};
    put_number<uint16_t>(header, 43);
    put_number<uint16_t>(header, 8);
    put_number<uint16_t>(header, 0);
    put_number<uint64_t>(header, 0);
    append(header);
}

TiffPyramidWriter::TiffPyramidWriter(std::filesystem::path file, const PyramidShape& shape,
                                     TiffPyramidOptions options, State state)
    : file_(std::move(file)), options_(std::move(options)) {
    lay_out(shape);
    bool fits = state.offsets.size() == levels_.size() && state.counts.size() == levels_.size() &&
                state.position >= kHeaderBytes;
    for (size_t i = 0; fits && i < levels_.size(); ++i) {
        fits = state.offsets[i].size() == levels_[i].offsets.size() &&
               state.counts[i].size() == levels_[i].counts.size();
        if (!fits) break;
        levels_[i].offsets = std::move(state.offsets[i]);
        levels_[i].counts = std::move(state.counts[i]);
    }
    handle_ = FileHandle(::open(file_.c_str(), O_WRONLY | O_CLOEXEC));
    if (!handle_.is_open()) throw_file_error("open", file_, errno);
    struct stat status {};
    if (::fstat(handle_.get(), &status) != 0) throw_file_error("look at", file_, errno);
    if (!fits || static_cast<uint64_t>(status.st_size) < state.position) {
        throw Error(ErrorCode::machine, escaped(file_.native()) +
                                            ": the unfinished file does not match its checkpoint; "
                                            "empty the folder and start again");
    }
    if (::ftruncate(handle_.get(), static_cast<off_t>(state.position)) != 0 ||
        ::lseek(handle_.get(), 0, SEEK_END) < 0)
        throw_file_error("cut", file_, errno);
    position_ = state.position;
    tables_ = std::move(state.tables);
    // finish() may have been under way: without directories the pointer to them is zero.
    write_fully_at(handle_.get(), kHeaderBytes - 8, std::vector<uint8_t>(8), file_);
}

void TiffPyramidWriter::lay_out(const PyramidShape& shape) {
    // TIFF 6.0, section 15: TileWidth and TileLength must be multiples of 16.
    if (options_.tile <= 0 || options_.tile % 16 != 0 || options_.tile > 65488)
        throw Error(ErrorCode::usage, "a TIFF's tile side of " + std::to_string(options_.tile) +
                                          " is not allowed; choose a multiple of 16 up to 65488");
    if (!(options_.pixels_per_inch >= 0.001 && options_.pixels_per_inch <= 1e6))
        throw Error(ErrorCode::usage,
                    "a TIFF's resolution of " + std::to_string(options_.pixels_per_inch) +
                        " pixels per inch is not allowed; choose 0.001 to 1000000");
    const bool deep = options_.bits == 16 || options_.alpha;
    if ((options_.bits != 8 && options_.bits != 16) ||
        (deep && options_.compression != TiffCompression::deflate))
        throw_fault(file_, "its samples do not go with its compression");
    constexpr size_t kDateTime = 19;  // TIFF 6.0, section 8: 20 bytes with the NUL
    if (!options_.date_time.empty() && options_.date_time.size() != kDateTime)
        throw_fault(file_, "its date \"" + escaped(options_.date_time) + "\" has a wrong form");
    const PyramidShape grid{shape.width, shape.height, options_.tile, 0};
    try {
        for (int number = grid.levels() - 1; number >= 0; --number) {
            Level level{number,
                        grid.level_width(number),
                        grid.level_height(number),
                        grid.columns(number),
                        grid.rows(number),
                        {},
                        {}};
            const auto tiles = static_cast<size_t>(level.columns) * static_cast<size_t>(level.rows);
            level.offsets.resize(tiles);
            level.counts.resize(tiles);
            levels_.push_back(std::move(level));
            if (tiles == 1) break;
        }
        pending_.reserve(kPendingBytes);
    } catch (const std::length_error&) {
        throw std::bad_alloc();  // more tiles than any memory holds
    }
}

TiffPyramidWriter::~TiffPyramidWriter() = default;

bool TiffPyramidWriter::has_level(int level) const {
    return level <= levels_.front().number && level >= levels_.back().number;
}

TiffPyramidWriter::Level& TiffPyramidWriter::level_of(int level) {
    if (!has_level(level)) throw_fault(file_, "level " + std::to_string(level) + " is not in it");
    return levels_[static_cast<size_t>(levels_.front().number - level)];
}

void TiffPyramidWriter::set_tables(std::vector<uint8_t> tables) {
    if (!tables_.empty() || tables.empty() || options_.compression != TiffCompression::jpeg)
        throw_fault(file_, "the JPEG tables were set twice, are empty or have no place");
    tables_ = std::move(tables);
}

void TiffPyramidWriter::put(int level, int64_t column, int64_t row, std::span<const uint8_t> data) {
    Level& target = level_of(level);
    if (column < 0 || column >= target.columns || row < 0 || row >= target.rows)
        throw_fault(file_, tile_name(level, column, row) + " lies outside the picture");
    if (data.empty() || data.size() > std::numeric_limits<uint32_t>::max())
        throw_fault(file_, tile_name(level, column, row) + " has " + std::to_string(data.size()) +
                               " bytes");
    const auto index = static_cast<size_t>(row * target.columns + column);
    if (target.offsets[index] != 0)
        throw_fault(file_, tile_name(level, column, row) + " was written twice");
    const uint64_t offset = position_;
    append(data);
    target.offsets[index] = offset;
    target.counts[index] = static_cast<uint32_t>(data.size());
}

void TiffPyramidWriter::append(std::span<const uint8_t> data) {
    if (!handle_.is_open()) throw_fault(file_, "written to after its end");
    const size_t padded = data.size() + data.size() % 2;  // tiles begin on word boundaries
    if (pending_.size() + padded > kPendingBytes) flush();
    if (padded > kPendingBytes) {
        write_fully(handle_.get(), data, file_);
        if (padded != data.size()) write_fully(handle_.get(), std::array<uint8_t, 1>{0}, file_);
    } else {
        pending_.insert(pending_.end(), data.begin(), data.end());
        if (padded != data.size()) pending_.push_back(0);
    }
    position_ += padded;
}

void TiffPyramidWriter::flush() {
    write_fully(handle_.get(), pending_, file_);
    pending_.clear();
}

std::vector<uint8_t> TiffPyramidWriter::directory(size_t index, uint64_t position,
                                                  bool last) const {
    const Level& level = levels_[index];
    const std::array<uint32_t, 2> rational = resolution(options_.pixels_per_inch, index);
    const bool jpeg = options_.compression == TiffCompression::jpeg;
    const bool first = index == 0;
    const size_t samples = options_.alpha ? 4 : 3;
    const std::vector<uint16_t> bits(samples, static_cast<uint16_t>(options_.bits));
    DirectoryBuilder entries;
    const auto add_text = [&](uint16_t tag, const std::string& text) {
        if (!text.empty()) entries.add_text(tag, text);
    };
    entries.add_long(254, first ? 0 : 1);  // NewSubfileType: 1 = a reduced version
    entries.add_long(256, level.width);
    entries.add_long(257, level.height);
    entries.add_numbers<uint16_t>(258, kShort, bits);  // BitsPerSample
    entries.add_short(259, jpeg ? 7 : 8);  // Compression: Technical Note 2; Adobe's deflate
    entries.add_short(262, jpeg ? 6 : 2);  // PhotometricInterpretation: YCbCr; RGB
    if (first) add_text(270, options_.description);
    entries.add_short(277, static_cast<uint16_t>(samples));  // SamplesPerPixel
    entries.add_rationals(282, rational);                    // XResolution
    entries.add_rationals(283, rational);                    // YResolution
    entries.add_short(284, 1);                               // PlanarConfiguration: chunky
    entries.add_short(296, 2);                               // ResolutionUnit: inch
    add_text(305, options_.software);
    if (first) {
        add_text(306, options_.date_time);
        add_text(315, options_.artist);
    }
    if (!jpeg) entries.add_short(317, 2);  // Predictor: horizontal differences
    entries.add_long(322, options_.tile);  // TileWidth
    entries.add_long(323, options_.tile);  // TileLength
    entries.add_numbers<uint64_t>(324, kLong8, level.offsets);
    entries.add_numbers<uint32_t>(325, kLong, level.counts);
    if (options_.alpha) entries.add_short(338, 2);  // ExtraSamples: unassociated alpha
    if (jpeg) {
        const uint16_t subsampling = options_.subsampled ? 2 : 1;
        entries.add(347, kUndefined, tables_.size(), tables_);  // JPEGTables
        entries.add_numbers<uint16_t>(530, kShort, std::array{subsampling, subsampling});
        entries.add_short(531, 1);  // YCbCrPositioning: centred, as JFIF has it
        entries.add_rationals(
            532,  // ReferenceBlackWhite: the full range of JFIF
            std::array<uint32_t, 12>{0, 1, 255, 1, 128, 1, 255, 1, 128, 1, 255, 1});
    }
    if (first && !options_.xmp.empty()) {
        // XMP specification, part 3, 1.1.3.3: bytes, not text.
        entries.add(700, kByte, options_.xmp.size(), {options_.xmp.begin(), options_.xmp.end()});
    }
    if (first) add_text(33432, options_.copyright);
    if (!options_.icc.empty()) entries.add(34675, kUndefined, options_.icc.size(), options_.icc);
    return entries.bytes(position, last);
}

TiffPyramidWriter::State TiffPyramidWriter::save() {
    flush();
    handle_.sync_checked(file_);
    return state();
}

TiffPyramidWriter::State TiffPyramidWriter::state() const {
    State state;
    state.position = position_;
    state.tables = tables_;
    for (const Level& level : levels_) {
        state.offsets.push_back(level.offsets);
        state.counts.push_back(level.counts);
    }
    return state;
}

void TiffPyramidWriter::finish() {
    if (tables_.empty() && options_.compression == TiffCompression::jpeg)
        throw_fault(file_, "the JPEG tables are missing");
    for (const Level& level : levels_) {
        const auto gap = std::find(level.offsets.begin(), level.offsets.end(), uint64_t{0});
        if (gap == level.offsets.end()) continue;
        const int64_t index = gap - level.offsets.begin();
        throw_fault(file_, tile_name(level.number, index % level.columns, index / level.columns) +
                               " is missing");
    }
    append(std::vector<uint8_t>(static_cast<size_t>(aligned(position_) - position_)));
    const uint64_t first = position_;
    for (size_t i = 0; i < levels_.size(); ++i)
        append(directory(i, position_, i + 1 == levels_.size()));
    flush();
    // The pointer to the directories comes last: a file without it holds no picture for any reader.
    std::vector<uint8_t> pointer;
    put_number<uint64_t>(pointer, first);
    write_fully_at(handle_.get(), kHeaderBytes - 8, pointer, file_);
    handle_.sync_checked(file_);
    handle_.close_checked(file_);
}

}  // namespace broadloom

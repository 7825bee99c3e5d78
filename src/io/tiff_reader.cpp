#include "io/tiff_reader.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <tiffio.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstdio>
#include <new>
#include <string>
#include <utility>

#include "base/file_handle.hpp"
#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "io/output_profiles.hpp"

namespace broadloom {

namespace {

struct FreeOptions {
    void operator()(TIFFOpenOptions* options) const { TIFFOpenOptionsFree(options); }
};
struct Close {
    void operator()(TIFF* tiff) const { TIFFClose(tiff); }
};

int keep_words(TIFF*, void* user, const char*, const char* format, va_list values) {
    char text[200];
    std::vsnprintf(text, sizeof text, format, values);
    *static_cast<std::string*>(user) = text;
    return 1;
}

[[noreturn]] void damaged(const std::string& what) { throw Error(ErrorCode::damage, what); }

template <typename T>
T field(TIFF* tiff, uint32_t tag, T otherwise) {
    T value{};
    return TIFFGetFieldDefaulted(tiff, tag, &value) == 1 ? value : otherwise;
}

}  // namespace

struct TiffPyramidReader::Level {
    std::string words;  // what the library complained about last
    std::unique_ptr<TIFF, Close> tiff;
};

TiffPyramidReader::TiffPyramidReader(std::filesystem::path file, const PyramidShape& shape)
    : file_(std::move(file)), shape_(shape) {
    for (int level = shape.levels() - 1; level >= 0; --level) {
        ++levels_in_file_;
        if (shape.columns(level) * shape.rows(level) == 1) break;
    }
    levels_.resize(static_cast<size_t>(levels_in_file_));
    const Level& first = open_level(shape.levels() - 1);
    if (static_cast<int>(TIFFNumberOfDirectories(first.tiff.get())) != levels_in_file_) {
        damaged("has another number of levels than the tiles");
    }
    levels_.front().reset();  // counting moved it on
}

TiffPyramidReader::~TiffPyramidReader() = default;

bool TiffPyramidReader::has_level(int level) const {
    return level < shape_.levels() && level >= shape_.levels() - levels_in_file_;
}

TiffPyramidReader::Level& TiffPyramidReader::open_level(int level) {
    const auto index = static_cast<size_t>(shape_.levels() - 1 - level);
    auto& place = levels_.at(index);
    if (place) return *place;
    auto opened = std::make_unique<Level>();
    FileHandle handle(::open(file_.c_str(), O_RDONLY | O_CLOEXEC | O_NOFOLLOW | O_NONBLOCK));
    struct stat status {};
    if (!handle.is_open()) {
        if (errno == ENOENT) damaged("is missing");
        damaged(errno == ELOOP ? "is a link, not a file" : "cannot be opened");
    }
    if (::fstat(handle.get(), &status) != 0 || !S_ISREG(status.st_mode)) damaged("is not a file");
    const std::unique_ptr<TIFFOpenOptions, FreeOptions> options(TIFFOpenOptionsAlloc());
    if (!options) throw std::bad_alloc();
    TIFFOpenOptionsSetErrorHandlerExtR(options.get(), keep_words, &opened->words);
    TIFFOpenOptionsSetWarningHandlerExtR(options.get(), keep_words, &opened->words);
    // Offsets and counts of one level's tiles, or a tile with slack.
    const int64_t most =
        std::max(shape_.columns(level) * shape_.rows(level) * 32, shape_.tile * shape_.tile * 16) +
        (int64_t{1} << 20);
    TIFFOpenOptionsSetMaxSingleMemAlloc(options.get(), most);
    // No memory mapping: a file that is cut meanwhile must be an error, not a crash.
    opened->tiff.reset(TIFFFdOpenExt(handle.get(), "pano.tif", "rmD", options.get()));
    if (!opened->tiff) damaged("is no TIFF that can be read");
    static_cast<void>(handle.release());  // closed with the TIFF
    TIFF* tiff = opened->tiff.get();
    if (index > 0 && TIFFSetDirectory(tiff, static_cast<tdir_t>(index)) != 1) {
        damaged("lacks level " + std::to_string(level));
    }
    const auto number = [&](uint32_t tag) { return int64_t{field<uint32_t>(tiff, tag, 0)}; };
    const std::string name = "level " + std::to_string(level);
    if (number(TIFFTAG_IMAGEWIDTH) != shape_.level_width(level) ||
        number(TIFFTAG_IMAGELENGTH) != shape_.level_height(level)) {
        damaged(name + " is " + std::to_string(number(TIFFTAG_IMAGEWIDTH)) + " x " +
                std::to_string(number(TIFFTAG_IMAGELENGTH)) + " pixels, not " +
                std::to_string(shape_.level_width(level)) + " x " +
                std::to_string(shape_.level_height(level)));
    }
    if (TIFFIsTiled(tiff) == 0 || number(TIFFTAG_TILEWIDTH) != shape_.tile ||
        number(TIFFTAG_TILELENGTH) != shape_.tile ||
        field<uint16_t>(tiff, TIFFTAG_PLANARCONFIG, 0) != PLANARCONFIG_CONTIG) {
        damaged(name + " is not stored in tiles of " + std::to_string(shape_.tile) + " pixels");
    }
    Kind kind;
    const auto compression = field<uint16_t>(tiff, TIFFTAG_COMPRESSION, 0);
    const auto meaning = field<uint16_t>(tiff, TIFFTAG_PHOTOMETRIC, 0);
    kind.jpeg = compression == COMPRESSION_JPEG;
    kind.bits = field<uint16_t>(tiff, TIFFTAG_BITSPERSAMPLE, 0);
    kind.samples = field<uint16_t>(tiff, TIFFTAG_SAMPLESPERPIXEL, 0);
    const bool known =
        kind.jpeg
            ? kind.bits == 8 && kind.samples == 3 && meaning == PHOTOMETRIC_YCBCR
            : compression == COMPRESSION_ADOBE_DEFLATE && meaning == PHOTOMETRIC_RGB &&
                  (kind.bits == 8 || kind.bits == 16) && (kind.samples == 3 || kind.samples == 4);
    if (!known) damaged(name + " is stored in a way that this program never writes");
    uint32_t profile_bytes = 0;
    const uint8_t* profile = nullptr;
    if (TIFFGetField(tiff, TIFFTAG_ICCPROFILE, &profile_bytes, &profile) != 1) profile_bytes = 0;
    bool found = false;
    for (const ColourSpace space :
         {ColourSpace::srgb, ColourSpace::display_p3, ColourSpace::adobe_rgb}) {
        const std::vector<uint8_t> ours = output_profile(space);
        if (!std::equal(ours.begin(), ours.end(), profile, profile + profile_bytes)) continue;
        kind.colour = space;
        found = true;
    }
    if (!found) damaged(name + " has another colour profile than it was written with");
    if (kind.jpeg) TIFFSetField(tiff, TIFFTAG_JPEGCOLORMODE, JPEGCOLORMODE_RGB);
    const bool any =
        std::any_of(levels_.begin(), levels_.end(), [](const auto& l) { return l != nullptr; });
    if (any && !(kind == kind_)) damaged(name + " is stored in another way than the others");
    kind_ = kind;
    if (TIFFTileSize(tiff) != shape_.tile * shape_.tile * kind.samples * (kind.bits / 8)) {
        damaged(name + " has tiles of another size");
    }
    place = std::move(opened);
    return *place;
}

void TiffPyramidReader::fail(int level, int64_t column, int64_t row, const char* what) {
    const std::string& words = open_level(level).words;
    damaged("tile " + std::to_string(level) + "/" + std::to_string(column) + "_" +
            std::to_string(row) + " " + what + (words.empty() ? "" : " (" + escaped(words) + ")"));
}

std::span<const uint8_t> TiffPyramidReader::stored(int level, int64_t column, int64_t row) {
    TIFF* tiff = open_level(level).tiff.get();
    const auto index = static_cast<uint32_t>(row * shape_.columns(level) + column);
    const uint64_t bytes = TIFFGetStrileByteCount(tiff, index);
    // Noise as JPEG or deflate takes little more than its samples.
    const auto most = static_cast<uint64_t>(shape_.tile * shape_.tile * 10 + 65536);
    if (bytes == 0 || bytes > most) fail(level, column, row, "has an impossible size");
    stored_.resize(bytes);
    if (TIFFReadRawTile(tiff, index, stored_.data(), static_cast<tmsize_t>(bytes)) !=
        static_cast<tmsize_t>(bytes)) {
        fail(level, column, row, "cannot be read");
    }
    return stored_;
}

uint64_t TiffPyramidReader::offset(int level, int64_t column, int64_t row) {
    return TIFFGetStrileOffset(open_level(level).tiff.get(),
                               static_cast<uint32_t>(row * shape_.columns(level) + column));
}

std::vector<uint8_t> TiffPyramidReader::tables(int level) {
    uint32_t bytes = 0;
    const uint8_t* data = nullptr;
    if (TIFFGetField(open_level(level).tiff.get(), TIFFTAG_JPEGTABLES, &bytes, &data) != 1) {
        return {};
    }
    return {data, data + bytes};
}

std::span<const uint8_t> TiffPyramidReader::decode(int level, int64_t column, int64_t row) {
    stored(level, column, row);  // refuses sizes that no tile has
    Level& opened = open_level(level);
    TIFF* tiff = opened.tiff.get();
    opened.words.clear();
    decoded_.resize(static_cast<size_t>(TIFFTileSize(tiff)));
    const auto index = static_cast<uint32_t>(row * shape_.columns(level) + column);
    const auto size = static_cast<tmsize_t>(decoded_.size());
    if (TIFFReadEncodedTile(tiff, index, decoded_.data(), size) != size || !opened.words.empty()) {
        fail(level, column, row, "does not decode");
    }
    return decoded_;
}

}  // namespace broadloom

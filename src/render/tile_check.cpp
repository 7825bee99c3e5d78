#include "render/tile_check.hpp"

#include <algorithm>
#include <cmath>
#include <cstring>

#include "broadloom/error.hpp"
#include "image/output_colour.hpp"
#include "image/shrink.hpp"
#include "render/parents.hpp"

namespace broadloom {

namespace {

constexpr const char* kOtherBytes = "has other bytes than were rendered (its checksum differs)";

const Sha256Sum& sum_at(const std::vector<std::vector<Sha256Sum>>& sums, const PyramidShape& shape,
                        int level, int64_t column, int64_t row) {
    return sums[static_cast<size_t>(level)]
               [static_cast<size_t>(row * shape.columns(level) + column)];
}

/// From the Adobe RGB (1998) curve to the sRGB curve (IEC 61966-2-1), 16 bits each.
std::vector<uint16_t> adobe_to_srgb_curve() {
    std::vector<uint16_t> curve(65536);
    for (size_t i = 0; i < curve.size(); ++i) {
        const double light = std::pow(static_cast<double>(i) / 65535, 563.0 / 256);
        const double code =
            light <= 0.0031308 ? 12.92 * light : 1.055 * std::pow(light, 1 / 2.4) - 0.055;
        curve[i] = static_cast<uint16_t>(std::lround(code * 65535));
    }
    return curve;
}

}  // namespace

bool tiff_has_cells(const PyramidShape& shape) { return shape.tile % 16 == 0; }

TileChecker::TileChecker(const CheckedResult& result, Findings& findings)
    : result_(result), findings_(findings) {}

TiffPyramidReader& TileChecker::tiff() {
    if (!tiff_) {
        tiff_ =
            std::make_unique<TiffPyramidReader>(result_.folder / "pano.tif", result_.tiff_shape);
        if (tiff_->kind().colour == ColourSpace::adobe_rgb) curve_ = adobe_to_srgb_curve();
    }
    return *tiff_;
}

std::optional<TileChecker::Cell> TileChecker::check(int level, int64_t column, int64_t row,
                                                    bool with_tiff, bool quietly) {
    const PyramidShape& shape = result_.shape;
    const auto damaged = [&](const std::string& what) {
        if (!quietly) findings_.tile(level, column, row, what);
        return std::nullopt;
    };
    const std::filesystem::path path = result_.folder / tile_file(level, column, row);
    std::string wrong = read_suspect(path, most_tile_bytes(shape), file_);
    if (!wrong.empty()) return damaged(wrong);
    if (result_.checksums != nullptr) {
        const Sha256Sum& sum = sum_at(result_.checksums->tiles.tiles, shape, level, column, row);
        if (sum != kNoSum && sum != sha256(file_)) return damaged(kOtherBytes);
    }
    const Rect tile = shape.tile_rect(level, column, row);
    const Rect rect = shape.cell_rect(level, column, row);
    Cell cell;
    wrong = decoder_.decode(file_, tile.width(), tile.height(), cell.pixels);
    if (!wrong.empty()) return damaged(wrong);
    const int64_t stride = tile.width() * 4;
    cell.view = {cell.pixels.data() + (rect.y0 - tile.y0) * stride + (rect.x0 - tile.x0) * 4,
                 rect.width(), rect.height(), stride};
    try {
        cell.steps = jpeg_mean_steps(file_);
    } catch (const Error&) {
        return damaged("is no JPEG that this program writes");
    }
    if (with_tiff && !quietly && result_.tiff && tiff().has_level(level)) {
        check_tiff(level, column, row, cell);
    }
    return cell;
}

const Sha256Sum* TileChecker::tiff_sum(int level, int64_t column, int64_t row) const {
    if (result_.tiff_tiles == nullptr) return nullptr;
    return &sum_at(result_.tiff_tiles->sums, result_.tiff_shape, level, column, row);
}

void TileChecker::check_tiff(int level, int64_t column, int64_t row, const Cell& cell) {
    const PyramidShape& shape = result_.shape;
    const Rect rect = shape.cell_rect(level, column, row);
    try {
        if (tiff_has_cells(shape)) {
            const std::span<const uint8_t> stored = tiff().stored(level, column, row);
            const bool whole = rect.width() == shape.tile && rect.height() == shape.tile;
            const TiffPyramidReader::Kind& kind = tiff().kind();
            if (whole && shape.overlap == 0 && kind.jpeg && kind.colour == ColourSpace::srgb) {
                jpeg_abbreviated(file_, abbreviated_);
                if (!std::equal(stored.begin(), stored.end(), abbreviated_.begin(),
                                abbreviated_.end()) ||
                    tiff().tables(level) != jpeg_tables(file_)) {
                    findings_.tiff_tile(level, column, row,
                                        "is not the JPEG of " + tile_file(level, column, row));
                }
                return;
            }
            const Sha256Sum* sum = tiff_sum(level, column, row);
            if (sum != nullptr && (*sum == kNoSum || *sum != sha256(stored))) {
                findings_.tiff_tile(level, column, row, kOtherBytes);
                return;
            }
        }
        const PictureView view = tiff_pixels(level, rect, cell.view);
        if (!agree(how_far_apart(view, cell.view), cell.steps, cell.steps)) {
            findings_.tiff_tile(level, column, row,
                                "shows something else than " + tile_file(level, column, row));
        }
    } catch (const Error& e) {
        if (e.code() != ErrorCode::damage && e.code() != ErrorCode::internal) throw;
        findings_.tiff_tile(level, column, row, e.what());
    }
}

void TileChecker::check_tiff_sum(int level, int64_t column, int64_t row) {
    const Sha256Sum* sum = tiff_sum(level, column, row);
    if (sum == nullptr) return;
    try {
        if (*sum != sha256(tiff().stored(level, column, row))) {
            findings_.tiff_tile(level, column, row, kOtherBytes);
        }
    } catch (const Error& e) {
        if (e.code() != ErrorCode::damage) throw;
        findings_.tiff_tile(level, column, row, e.what());
    }
}

void TileChecker::convert_row(const uint8_t* samples, int64_t x, int64_t y, int64_t n,
                              const uint8_t* otherwise, uint8_t* rgbx) {
    const TiffPyramidReader::Kind& kind = tiff().kind();
    const auto channels = static_cast<size_t>(kind.samples);
    const auto count = static_cast<size_t>(n);
    deep_.resize(4 * count);
    for (size_t i = 0; i < count; ++i) {
        deep_[4 * i + 3] = 65535;
        for (size_t c = 0; c < channels; ++c) {
            uint16_t value = 0;
            if (kind.bits == 16) {
                std::memcpy(&value, samples + 2 * (i * channels + c), sizeof value);
            } else {
                value = static_cast<uint16_t>(samples[i * channels + c] * 257);
            }
            deep_[4 * i + c] = c < 3 && !curve_.empty() ? curve_[value] : value;
        }
    }
    const TileColour colour(kind.colour, {0, 0, 0});
    colour.convert_row(reinterpret_cast<const uint8_t*>(deep_.data()), x, y, n, rgbx);
    // Over what it was laid is not known here.
    for (size_t i = 0; i < count; ++i) {
        if (deep_[4 * i + 3] != 65535) std::memcpy(rgbx + 4 * i, otherwise + 4 * i, 4);
    }
}

PictureView TileChecker::tiff_pixels(int level, const Rect& rect, const PictureView& otherwise) {
    const int64_t side = result_.tiff_shape.tile;
    const int64_t pixel_bytes = tiff().kind().samples * (tiff().kind().bits / 8);
    from_tiff_.resize(static_cast<size_t>(rect.width() * rect.height() * 4));
    const int64_t stride = rect.width() * 4;
    for (int64_t row = rect.y0 / side; row * side < rect.y1; ++row) {
        for (int64_t column = rect.x0 / side; column * side < rect.x1; ++column) {
            const std::span<const uint8_t> samples = tiff().decode(level, column, row);
            const Rect part =
                intersect(rect, {column * side, row * side, (column + 1) * side, (row + 1) * side});
            for (int64_t y = part.y0; y < part.y1; ++y) {
                const uint8_t* from =
                    samples.data() +
                    ((y - row * side) * side + (part.x0 - column * side)) * pixel_bytes;
                const int64_t dy = y - rect.y0;
                const int64_t dx = (part.x0 - rect.x0) * 4;
                convert_row(from, part.x0, y, part.width(),
                            otherwise.data + dy * otherwise.stride + dx,
                            from_tiff_.data() + dy * stride + dx);
            }
        }
    }
    return {from_tiff_.data(), rect.width(), rect.height(), stride};
}

void TileChecker::compare_with_above(const Cell& cell, int level, int64_t column, int64_t row,
                                     const Cell& above) {
    const int64_t width = (cell.view.width + 1) / 2;
    const int64_t height = (cell.view.height + 1) / 2;
    shrunk_.resize(static_cast<size_t>(width * height * 4));
    shrink_picture(cell.view, 4, shrunk_.data(), width * 4);
    const int64_t half = result_.shape.tile / 2;
    const PictureView part{
        above.view.data + (row % 2) * half * above.view.stride + (column % 2) * half * 4, width,
        height, above.view.stride};
    const PictureView small{shrunk_.data(), width, height, width * 4};
    if (!agree(how_far_apart(small, part), cell.steps, above.steps)) {
        findings_.tile(level, column, row,
                       "shows something else than the level above, " +
                           tile_file(level - 1, column / 2, row / 2));
    }
}

void TileChecker::glance(int level, int64_t column, int64_t row) {
    const std::filesystem::path path = result_.folder / tile_file(level, column, row);
    uint16_t end = 0;
    std::string wrong = glance_at(path, most_tile_bytes(result_.shape), file_, end);
    constexpr uint16_t kEndOfImage = 0xFFD9;  // ITU-T T.81, table B.1
    if (wrong.empty()) {
        const Rect tile = result_.shape.tile_rect(level, column, row);
        const auto size = jpeg_size(file_);
        if (!size) {
            wrong = "is no JPEG";
        } else if (*size != std::pair{tile.width(), tile.height()}) {
            wrong = "is " + std::to_string(size->first) + " x " + std::to_string(size->second) +
                    " pixels, not " + std::to_string(tile.width()) + " x " +
                    std::to_string(tile.height());
        } else if (end != kEndOfImage) {
            wrong = "is cut short";
        }
    }
    if (!wrong.empty()) findings_.tile(level, column, row, wrong);
}

}  // namespace broadloom

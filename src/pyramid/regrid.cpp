#include "pyramid/regrid.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <algorithm>
#include <bit>
#include <cerrno>
#include <cstring>
#include <numeric>
#include <span>
#include <unordered_map>
#include <utility>

#include "base/file_handle.hpp"
#include "base/text.hpp"
#include "broadloom/error.hpp"

namespace broadloom {

namespace {

/// Columns and rows, half-open.
struct Range {
    int64_t first_column, end_column, first_row, end_row;
};

/// Indices of the grid's intervals [i * tile - overlap, (i + 1) * tile + overlap) that touch
/// [begin, end), out of `count`.
std::pair<int64_t, int64_t> touching(int64_t begin, int64_t end, int64_t tile, int64_t overlap,
                                     int64_t count) {
    return {std::max<int64_t>(floor_div(begin - overlap, tile), 0),
            std::min(ceil_div(end + overlap, tile), count)};
}

Range touching(const Rect& rect, const PyramidShape& grid, int64_t overlap, int level) {
    const auto [first_column, end_column] =
        touching(rect.x0, rect.x1, grid.tile, overlap, grid.columns(level));
    const auto [first_row, end_row] =
        touching(rect.y0, rect.y1, grid.tile, overlap, grid.rows(level));
    return {first_column, end_column, first_row, end_row};
}

int64_t count(const Range& range) {
    return (range.end_column - range.first_column) * (range.end_row - range.first_row);
}

/// The most cells that a window spans besides the first, in one direction with `columns` windows.
int64_t reach(const PyramidShape& cells, const PyramidShape& windows, int64_t length,
              int64_t columns) {
    // Where a window begins within its first cell repeats with this period; the windows cut at the
    // picture's edges come besides.
    const int64_t period = cells.tile / std::gcd(cells.tile, windows.tile);
    const int64_t margin = windows.overlap / windows.tile + 2;
    const auto span = [&](int64_t i) {
        const int64_t begin = std::max<int64_t>(i * windows.tile - windows.overlap, 0);
        const int64_t end = std::min((i + 1) * windows.tile + windows.overlap, length);
        return (end - 1) / cells.tile - begin / cells.tile;
    };
    int64_t most = 0;
    for (int64_t i = 0; i < std::min(columns, period + margin); ++i) most = std::max(most, span(i));
    return most;
}

}  // namespace

struct Regrid::State {
    struct Waiting {
        size_t slot;
        int64_t windows;  // not yet cut
    };
    /// Cells and windows by row * columns + column; entries go when they are done.
    struct Level {
        std::unordered_map<int64_t, Waiting> waiting;
        std::unordered_map<int64_t, int64_t> missing;  // cells that a begun window still lacks
    };

    std::filesystem::path path;
    PyramidShape cells, windows;
    int64_t pixel_bytes = 4;
    std::vector<Level> levels;
    FileHandle file;
    std::vector<size_t> free_slots;  // the one freed last is taken first: it is still in memory
    size_t slots = 0;
    uint64_t slot_bytes = 0;
    uint64_t file_bytes = 0;
    std::vector<uint8_t> window_pixels, cell_pixels;  // reused

    void open();
    void store(const PictureView& cell, size_t slot);
    void copy(const PictureView& cell, const Rect& cell_rect, const Rect& part, const Rect& window);
    void load(size_t slot, const Rect& cell_rect, const Rect& part, const Rect& window);
    void release(Level& level, int64_t key);
};

void Regrid::State::open() {
    file = FileHandle(::open(path.c_str(), O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC, 0600));
    if (!file.is_open()) throw_file_error("create the scratch file", path, errno);
    // Without a name it goes by itself however the program ends.
    if (::unlink(path.c_str()) != 0) throw_file_error("unlink the scratch file", path, errno);
}

void Regrid::State::store(const PictureView& cell, size_t slot) {
    const auto row_bytes = static_cast<size_t>(cell.width * pixel_bytes);
    const size_t bytes = row_bytes * static_cast<size_t>(cell.height);
    std::span<const uint8_t> pixels(cell.data, bytes);
    if (cell.stride != static_cast<std::ptrdiff_t>(row_bytes)) {
        cell_pixels.resize(bytes);
        for (int64_t y = 0; y < cell.height; ++y)
            std::memcpy(cell_pixels.data() + static_cast<size_t>(y) * row_bytes,
                        cell.data + y * cell.stride, row_bytes);
        pixels = cell_pixels;
    }
    if (!file.is_open()) open();
    const uint64_t offset = slot * slot_bytes;
    write_fully_at(file.get(), offset, pixels, path);
    file_bytes = std::max(file_bytes, offset + bytes);
}

/// Copies the part that a cell in memory shares with a window to its place there.
void Regrid::State::copy(const PictureView& cell, const Rect& cell_rect, const Rect& part,
                         const Rect& window) {
    const auto bytes = static_cast<size_t>(part.width() * pixel_bytes);
    const uint8_t* from =
        cell.data + (part.y0 - cell_rect.y0) * cell.stride + (part.x0 - cell_rect.x0) * pixel_bytes;
    uint8_t* to = window_pixels.data() +
                  ((part.y0 - window.y0) * window.width() + part.x0 - window.x0) * pixel_bytes;
    for (int64_t y = part.y0; y < part.y1; ++y) {
        std::memcpy(to, from, bytes);
        from += cell.stride;
        to += window.width() * pixel_bytes;
    }
}

/// The same for a cell in the scratch file: whole rows of it in one read, as many calls cost more
/// than the columns read in vain.
void Regrid::State::load(size_t slot, const Rect& cell_rect, const Rect& part, const Rect& window) {
    const int64_t row_bytes = cell_rect.width() * pixel_bytes;
    cell_pixels.resize(static_cast<size_t>(part.height() * row_bytes));
    read_fully_at(file.get(),
                  slot * slot_bytes + static_cast<uint64_t>((part.y0 - cell_rect.y0) * row_bytes),
                  cell_pixels, path);
    const Rect rows{cell_rect.x0, part.y0, cell_rect.x1, part.y1};
    copy({cell_pixels.data(), rows.width(), rows.height(), row_bytes}, rows, part, window);
}

/// One window less for a waiting cell to wait for.
void Regrid::State::release(Level& level, int64_t key) {
    const auto found = level.waiting.find(key);
    if (--found->second.windows > 0) return;
    free_slots.push_back(found->second.slot);
    level.waiting.erase(found);
}

Regrid::Regrid(std::filesystem::path scratch, const PyramidShape& cells,
               const PyramidShape& windows, int64_t pixel_bytes)
    : state_(std::make_unique<State>()) {
    if (cells.width != windows.width || cells.height != windows.height)
        throw Error(ErrorCode::internal,
                    escaped(scratch.native()) +
                        ": cells and windows are of pictures of different sizes; please report "
                        "this fault");
    state_->path = std::move(scratch);
    state_->cells = cells;
    state_->windows = windows;
    state_->pixel_bytes = pixel_bytes;
    state_->levels.resize(static_cast<size_t>(cells.levels()));
    state_->slot_bytes = static_cast<uint64_t>(std::min(cells.tile, cells.width)) *
                         static_cast<uint64_t>(std::min(cells.tile, cells.height)) * pixel_bytes;
}

Regrid::~Regrid() = default;

void Regrid::add(int level, int64_t column, int64_t row, const PictureView& cell,
                 const Emit& emit) {
    State& s = *state_;
    const auto fault = [&](const char* what) {
        throw Error(ErrorCode::internal,
                    escaped(s.path.native()) + ": cell at level " + std::to_string(level) +
                        ", column " + std::to_string(column) + ", row " + std::to_string(row) +
                        " " + what + "; please report this fault");
    };
    if (level < 0 || level >= s.cells.levels() || column < 0 || column >= s.cells.columns(level) ||
        row < 0 || row >= s.cells.rows(level))
        fault("lies outside the pyramid");
    const Rect cell_rect = s.cells.cell_rect(level, column, row);
    if (cell.width != cell_rect.width() || cell.height != cell_rect.height())
        fault("has a wrong size");
    State::Level& grid = s.levels[static_cast<size_t>(level)];
    const int64_t cell_columns = s.cells.columns(level);
    const int64_t key = row * cell_columns + column;
    if (grid.waiting.contains(key)) fault("was added twice");

    const Range around = touching(cell_rect, s.windows, s.windows.overlap, level);
    int64_t left = count(around);
    for (int64_t r = around.first_row; r < around.end_row; ++r) {
        for (int64_t c = around.first_column; c < around.end_column; ++c) {
            const Rect window = s.windows.tile_rect(level, c, r);
            const Range parts = touching(window, s.cells, 0, level);
            if (count(parts) == 1) {
                emit(level, c, r,
                     {cell.data + (window.y0 - cell_rect.y0) * cell.stride +
                          (window.x0 - cell_rect.x0) * s.pixel_bytes,
                      window.width(), window.height(), cell.stride});
                --left;
                continue;
            }
            const auto missing =
                grid.missing.try_emplace(r * s.windows.columns(level) + c, count(parts)).first;
            if (--missing->second > 0) continue;
            grid.missing.erase(missing);

            s.window_pixels.resize(static_cast<size_t>(window.area() * s.pixel_bytes));
            for (int64_t y = parts.first_row; y < parts.end_row; ++y) {
                for (int64_t x = parts.first_column; x < parts.end_column; ++x) {
                    const Rect rect = s.cells.cell_rect(level, x, y);
                    const Rect part = intersect(rect, window);
                    if (x == column && y == row) {
                        s.copy(cell, rect, part, window);
                        --left;
                    } else {
                        const int64_t other = y * cell_columns + x;
                        s.load(grid.waiting.at(other).slot, rect, part, window);
                        s.release(grid, other);
                    }
                }
            }
            emit(level, c, r,
                 {s.window_pixels.data(), window.width(), window.height(),
                  window.width() * s.pixel_bytes});
        }
    }
    if (left == 0) return;
    size_t slot = s.slots;
    if (s.free_slots.empty()) {
        ++s.slots;
    } else {
        slot = s.free_slots.back();
        s.free_slots.pop_back();
    }
    s.store(cell, slot);
    grid.waiting.emplace(key, State::Waiting{slot, left});
}

int64_t Regrid::scratch_bytes() const { return static_cast<int64_t>(state_->file_bytes); }

int64_t Regrid::scratch_bound(const PyramidShape& cells, const PyramidShape& windows,
                              int64_t pixel_bytes) {
    const int64_t slot_bytes =
        std::min(cells.tile, cells.width) * std::min(cells.tile, cells.height) * pixel_bytes;
    int64_t slots = 0;
    for (int level = 0; level < cells.levels(); ++level) {
        const int64_t columns = cells.columns(level), rows = cells.rows(level);
        const int64_t k =
            std::max(reach(cells, windows, cells.level_width(level), windows.columns(level)),
                     reach(cells, windows, cells.level_height(level), windows.rows(level)));
        const auto small = std::min(columns, rows), large = std::max(columns, rows);
        const auto square = static_cast<int64_t>(std::bit_ceil(static_cast<uint64_t>(small)));
        // The last cell to come never waits.
        slots += std::min(k * (std::min(large, square + k) + small - 1), columns * rows - 1);
    }
    return slots * slot_bytes;
}

}  // namespace broadloom

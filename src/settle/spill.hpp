/// Things kept by index while there is room for them, otherwise in a file without a name of its
/// own: what is put is whole afterwards, whatever becomes of the process.
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <list>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "base/file_handle.hpp"

namespace broadloom {

/// Appends byte strings to a working file and reads them back. From any thread.
class SpillFile {
  public:
    /// The file is made when the first bytes come, and removed by name at once, so that nothing of
    /// it is left behind.
    explicit SpillFile(std::filesystem::path path) : path_(std::move(path)) {}

    struct Place {
        uint64_t offset = 0, size = 0;
    };
    /// Throws Error{machine} (a full disk, no permission).
    Place append(const std::string& bytes);
    /// In place of others, as many.
    void replace(const Place& place, const std::string& bytes);
    [[nodiscard]] std::string read(const Place& place) const;

  private:
    std::filesystem::path path_;
    std::mutex mutex_;
    FileHandle handle_;
    uint64_t end_ = 0;
};

/// T needs `std::string pack_bytes(const T&)` and `void unpack_bytes(std::string_view, T&)`, and
/// `size_t held_bytes(const T&)`.
template <typename T>
class SpilledList {
  public:
    /// Keeps the most recently used ones up to `budget_bytes`, always the last one.
    SpilledList(size_t count, size_t budget_bytes, SpillFile& file)
        : file_(file), budget_(budget_bytes), slots_(count) {}

    /// What was there before is replaced; nobody may get() it meanwhile.
    void put(size_t i, T value) {
        auto kept = std::make_shared<const T>(std::move(value));
        const std::string bytes = pack_bytes(*kept);
        Slot& slot = slots_[i];
        if (slot.place.size == bytes.size()) {
            file_.replace(slot.place, bytes);
        } else {
            slot.place = file_.append(bytes);
        }
        const std::lock_guard lock(mutex_);
        if (slot.value) forget(slot);
        keep(i, std::move(kept));
    }

    /// Forgets what is held beyond that.
    void set_budget(size_t bytes) {
        const std::lock_guard lock(mutex_);
        budget_ = bytes;
        make_room(0);
    }

    [[nodiscard]] std::shared_ptr<const T> get(size_t i) {
        SpillFile::Place place;
        {
            const std::lock_guard lock(mutex_);
            Slot& slot = slots_[i];
            if (slot.value) {
                recent_.splice(recent_.begin(), recent_, slot.at);
                return slot.value;
            }
            place = slot.place;
        }
        T value;
        unpack_bytes(file_.read(place), value);
        auto kept = std::make_shared<const T>(std::move(value));
        const std::lock_guard lock(mutex_);
        if (!slots_[i].value) keep(i, kept);
        return kept;
    }

  private:
    struct Slot {
        SpillFile::Place place;
        std::shared_ptr<const T> value;
        std::list<size_t>::iterator at;
    };
    void keep(size_t i, std::shared_ptr<const T> value) {
        used_ += held_bytes(*value);
        slots_[i].value = std::move(value);
        recent_.push_front(i);
        slots_[i].at = recent_.begin();
        make_room(1);
    }
    void make_room(size_t least) {
        while (used_ > budget_ && recent_.size() > least) forget(slots_[recent_.back()]);
    }
    void forget(Slot& slot) {
        used_ -= held_bytes(*slot.value);
        slot.value.reset();
        recent_.erase(slot.at);
    }

    SpillFile& file_;
    size_t budget_, used_ = 0;
    std::mutex mutex_;
    std::vector<Slot> slots_;
    std::list<size_t> recent_;
};

}  // namespace broadloom

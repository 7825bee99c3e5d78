/// Reduced images that are kept while there is room and read again when they are not.
#pragma once

#include <cstddef>
#include <functional>
#include <list>
#include <memory>
#include <mutex>
#include <utility>
#include <vector>

namespace broadloom {

/// Least recently used images go first. Callable from any thread; `bytes_of` is asked after
/// loading. An image in use by a caller stays alive beyond its place here.
template <typename Image>
class ImageCache {
  public:
    using Load = std::function<Image(size_t index, int worker)>;

    ImageCache(size_t count, size_t budget_bytes, Load load)
        : load_(std::move(load)), budget_(budget_bytes), entries_(count) {}

    std::shared_ptr<const Image> get(size_t index, int worker) {
        {
            const std::scoped_lock lock(mutex_);
            Entry& e = entries_[index];
            if (e.image) {
                order_.splice(order_.begin(), order_, e.place);
                return e.image;
            }
        }
        auto image = std::make_shared<const Image>(load_(index, worker));
        put(index, image);
        return image;
    }

    /// Gives an image that was made elsewhere.
    void put(size_t index, std::shared_ptr<const Image> image) {
        const std::scoped_lock lock(mutex_);
        Entry& e = entries_[index];
        if (e.image) return;
        const size_t bytes = image->pixels.size() * sizeof(image->pixels[0]);
        while (!order_.empty() && used_ + bytes > budget_) {
            Entry& oldest = entries_[order_.back()];
            used_ -= oldest.bytes;
            oldest.image.reset();
            order_.pop_back();
        }
        if (used_ + bytes > budget_) return;
        order_.push_front(index);
        e = {std::move(image), bytes, order_.begin()};
        used_ += bytes;
    }

    void clear() {
        const std::scoped_lock lock(mutex_);
        for (Entry& e : entries_) e.image.reset();
        order_.clear();
        used_ = 0;
    }

  private:
    struct Entry {
        std::shared_ptr<const Image> image;
        size_t bytes = 0;
        std::list<size_t>::iterator place;
    };

    Load load_;
    size_t budget_, used_ = 0;
    std::vector<Entry> entries_;
    std::list<size_t> order_;  ///< most recently used first
    std::mutex mutex_;
};

}  // namespace broadloom

#include "settle/spill.hpp"

#include <fcntl.h>
#include <unistd.h>

#include <cerrno>
#include <span>

namespace broadloom {

SpillFile::Place SpillFile::append(const std::string& bytes) {
    Place place;
    {
        const std::lock_guard lock(mutex_);
        if (!handle_.is_open()) {
            const int fd = open(path_.c_str(), O_RDWR | O_CREAT | O_TRUNC | O_CLOEXEC, 0600);
            if (fd < 0) throw_file_error("create", path_, errno);
            handle_ = FileHandle(fd);
            unlink(path_.c_str());
        }
        place = {end_, bytes.size()};
        end_ += bytes.size();
    }
    replace(place, bytes);
    return place;
}

void SpillFile::replace(const Place& place, const std::string& bytes) {
    write_fully_at(handle_.get(), place.offset,
                   {reinterpret_cast<const uint8_t*>(bytes.data()), bytes.size()}, path_);
}

std::string SpillFile::read(const Place& place) const {
    std::string bytes(place.size, '\0');
    read_fully_at(handle_.get(), place.offset,
                  {reinterpret_cast<uint8_t*>(bytes.data()), bytes.size()}, path_);
    return bytes;
}

}  // namespace broadloom

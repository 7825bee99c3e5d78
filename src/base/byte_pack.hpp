/// Plain values to bytes and back.
#pragma once

#include <cstddef>
#include <cstdint>
#include <cstring>
#include <string>
#include <string_view>
#include <type_traits>
#include <vector>

namespace broadloom {

/// Appends numbers, lists and texts as their bytes in this machine's order: for files that only the
/// program itself reads again.
class Packer {
  public:
    template <typename T>
    void number(T value) {
        out_.append(reinterpret_cast<const char*>(&value), sizeof value);
    }
    template <typename T>
    void list(const std::vector<T>& values) {
        static_assert(std::is_trivially_copyable_v<T>);
        number<uint64_t>(values.size());
        out_.append(reinterpret_cast<const char*>(values.data()), values.size() * sizeof(T));
    }
    void text(std::string_view t) {
        number<uint64_t>(t.size());
        out_.append(t);
    }
    std::string& bytes() { return out_; }

  private:
    std::string out_;
};

/// Reads what Packer wrote; every length is checked against what is left.
class Unpacker {
  public:
    explicit Unpacker(std::string_view bytes) : left_(bytes) {}
    template <typename T>
    T number() {
        T value{};
        if (left_.size() < sizeof value) {
            good_ = false;
            return value;
        }
        std::memcpy(&value, left_.data(), sizeof value);
        left_.remove_prefix(sizeof value);
        return value;
    }
    template <typename T>
    std::vector<T> list() {
        const auto count = number<uint64_t>();
        if (!good_ || count > left_.size() / sizeof(T)) {
            good_ = false;
            return {};
        }
        std::vector<T> values(count);
        if (count > 0) std::memcpy(values.data(), left_.data(), count * sizeof(T));
        left_.remove_prefix(count * sizeof(T));
        return values;
    }
    [[nodiscard]] bool good() const { return good_; }
    [[nodiscard]] bool at_end() const { return left_.empty(); }
    [[nodiscard]] size_t left() const { return left_.size(); }

  private:
    std::string_view left_;
    bool good_ = true;
};

}  // namespace broadloom

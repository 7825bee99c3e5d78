/// Collects everything that is wrong with a scene, so that it can be told in one go.
#pragma once

#include <cstddef>
#include <string>
#include <string_view>
#include <vector>

namespace broadloom {

/// The place of a key below `parent`: "cameras.main", or cameras["a b"] when the key is not made of
/// ASCII letters, digits, '_' and '-' only. Always printable.
std::string place_of_key(std::string_view parent, std::string_view key);

/// The place of an array's element: "frames[3]".
std::string place_of_index(std::string_view parent, size_t index);

class Problems {
  public:
    /// `name` stands for the file in messages; `text` is what is parsed and must outlive this.
    Problems(std::string_view name, std::string_view text);

    /// Adds a problem. `place` is like "frames[3].yaw_deg" or empty for the whole scene, `offset`
    /// the byte of the text where it was seen, `what` says what is wrong and what to do.
    void add(std::string place, size_t offset, std::string what);

    [[nodiscard]] bool empty() const { return count_ == 0; }

    /// Throws Error{input} if there is any problem: its message is the first in the order of the
    /// text and the count of the others, its details are all of them, a line each (after the first
    /// 1000 only how many more).
    void throw_if_any();

  private:
    struct Problem {
        std::string place;
        size_t offset;
        std::string what;
    };

    std::string name_;
    std::string_view text_;
    std::vector<Problem> kept_;
    size_t count_ = 0;
};

/// "line 3, column 14" of a byte of a text; columns count characters (code points) from 1.
std::string line_and_column(std::string_view text, size_t offset);

}  // namespace broadloom

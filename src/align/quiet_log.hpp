/// Ceres reports what it meets through glog, which writes to standard error.
#pragma once

namespace broadloom {

/// While one of these lives nothing is written.
class QuietLog {
  public:
    QuietLog();
    ~QuietLog();
    QuietLog(const QuietLog&) = delete;
    QuietLog& operator=(const QuietLog&) = delete;

  private:
    int before_;
};

}  // namespace broadloom

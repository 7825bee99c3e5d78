# broadloom_opencv: the few modules of OpenCV that finding and matching features needs. Debian's packages of
# single modules come without OpenCV's own configuration files.
find_path(BROADLOOM_OPENCV_INCLUDE opencv2/features2d.hpp PATH_SUFFIXES opencv4 REQUIRED)
add_library(broadloom_opencv INTERFACE IMPORTED)
target_include_directories(broadloom_opencv SYSTEM INTERFACE ${BROADLOOM_OPENCV_INCLUDE})
foreach(module features2d calib3d flann imgproc core)
  find_library(BROADLOOM_OPENCV_${module} opencv_${module} REQUIRED)
  target_link_libraries(broadloom_opencv INTERFACE ${BROADLOOM_OPENCV_${module}})
endforeach()
